"""The shipped tables (config/*.yaml): crops, soils, retention, as they stand in the files.

Where every figure comes from is written beside it in those files. What a grower's own crops.yaml changes is
none of this module's business: it only hands out what ships.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.errors import BadInput, CouldNot

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from scheduler.model import TextureGroup

__all__ = [
    "Texture",
    "crop_aliases",
    "crops",
    "retention",
    "soils",
    "texture_like",
    "wetted_width_m",
]

_WIDTH_UNIT = " m"  # the shipped file gives every wetted width in metres


@dataclass(frozen=True, slots=True)
class Texture:
    """One soil texture: water contents in m3/m3, the group that its wetted width follows, and what its top
    0.10 m evaporates without slowing down, mm."""

    name: str
    theta_fc: float
    theta_wp: float
    rew_mm: float
    group: TextureGroup
    source: str


def crops() -> dict[str, dict[str, Any]]:
    """The shipped crops in file order, crop name -> its mapping as in crops.yaml; the caller's own copy."""
    return deepcopy(_crops())


@cache
def crop_aliases() -> dict[str, str]:
    """Other names of the shipped crops, casefolded -> the crop's name in `crops()`."""
    return {other.casefold(): name for name, crop in _crops().items() for other in crop["also"]}


def own_crop_names(path: Path) -> list[str]:
    """The keys of a grower's crops.yaml, whatever stands below them; none where it cannot be read."""
    import yaml

    try:
        found = yaml.load(
            path.read_text(encoding="utf-8"), Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        )
    except (OSError, ValueError, yaml.YAMLError):
        return []
    return [str(key) for key in found] if isinstance(found, dict) else []


@cache
def soils() -> dict[str, Texture]:
    """The shipped soil textures in file order, coarse to fine."""
    return {name: Texture(name=name, **figures) for name, figures in _soil_file()["textures"].items()}


def texture_like(theta_fc: float) -> Texture:
    """The texture that holds most nearly so much at field capacity, m3/m3; on a tie the first (model M4).

    >>> texture_like(0.28).name, texture_like(0.34).name
    ('silt loam', 'clay loam')
    """
    return min(soils().values(), key=lambda texture: round(abs(texture.theta_fc - theta_fc), 9))


@cache
def wetted_width_m(group: str) -> float:
    """Width of the strip that one tape wets, m, in soil of a texture group (coarse, medium, fine).

    Raises BadInput for any other group.  Source: common practice for emitters 12 in apart, no source.

    >>> wetted_width_m("medium")
    0.6
    """
    widths: dict[str, dict[str, str]] = _soil_file()["wetted_width"]
    if group not in widths:
        raise BadInput(f'"{group}" is not a texture group: one of {", ".join(widths)} is expected')
    return float(widths[group]["width"].removesuffix(_WIDTH_UNIT))


@cache
def retention() -> dict[str, dict[str, float]]:
    """Van Genuchten parameters of the shipped textures: theta_r, theta_s, alpha_per_cm, n."""
    return {name: dict(figures) for name, figures in shipped("retention.yaml")["curves"].items()}


@cache
def _crops() -> dict[str, dict[str, Any]]:
    table: dict[str, dict[str, Any]] = shipped("crops.yaml")
    return table


@cache
def _soil_file() -> dict[str, Any]:
    table: dict[str, Any] = shipped("soils.yaml")
    return table


def shipped(name: str, *, as_printed: bool = False) -> Any:
    """A table of config/ as YAML reads it; raises CouldNot where the file is not to be read.

    as_printed: every number stays the text that it is in the file, with all its digits.
    """
    import yaml  # only here: who merely imports this module does not pay for it

    kind = "BaseLoader" if as_printed else "SafeLoader"
    loader = getattr(yaml, f"C{kind}", getattr(yaml, kind))
    try:
        text = (_folder() / name).read_text(encoding="utf-8")
    except OSError as error:
        raise CouldNot(
            f"the shipped table {name} cannot be read: {error.strerror or error}",
            hint="install the program again: the file is part of it",
        ) from error
    return yaml.load(text, Loader=loader)


def _folder() -> Traversable:
    """The installed package's data; in a source checkout that is not installed, config/ beside scheduler/."""
    from importlib import resources

    try:
        return resources.files("scheduler.config")
    except ModuleNotFoundError:
        return Path(__file__).resolve().parent.parent / "config"
