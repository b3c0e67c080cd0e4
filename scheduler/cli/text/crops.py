"""The crop table as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import wrap
from scheduler.show import METERS_PER_FOOT, Display

if TYPE_CHECKING:
    from scheduler.shapes.crops import CropLine, CropsPage

INDENT = 4
NAME_WIDTH = 20
ONE_LINE = 72
"""Columns of a crop's name and figures."""


def crops_text(page: CropsPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page["crops"], display, width))


def _lines(crops: list[CropLine], display: Display, width: int) -> Iterator[str]:
    yield from _row("crop", ("stage days", "Kc", "roots", "use"), width)
    for crop in crops:
        yield from _crop(crop, display, width)
        if len(crops) == 1:
            yield from _sources(crop, width)


def _crop(crop: CropLine, display: Display, width: int) -> Iterator[str]:
    days = "/".join(str(stage["days"]) for stage in crop["stages"])
    kc = " ".join(f"{crop['stages'][i]['kc']:.2f}" for i in (0, 2, 3))
    yield from _row(crop["crop"], (days, kc, _roots(crop, display), f"{crop['depletion']:.0%}"), width)
    if crop["like"]:
        yield f"    as {crop['like']}"
    if said := [name for name in crop["also"] if not set(",;(") & set(name)]:
        yield from wrap(f"also {', '.join(said)}", width, INDENT, first=INDENT)


def _row(name: str, figures: tuple[str, str, str, str], width: int) -> Iterator[str]:
    days, kc, roots, use = figures
    if width >= ONE_LINE:
        yield f"{name:<{NAME_WIDTH}} {days:<13} {kc:<14} {roots:<10} {use:>3}"
    else:
        yield from (name, f"  {days:<13} {kc}", f"  {roots:<13} {use}")


def _roots(crop: CropLine, display: Display) -> str:
    """From young to grown."""
    unit, per_m = ("in", 12 / METERS_PER_FOOT) if display == "us" else ("cm", 100.0)
    depth = crop["root_depth_m"]
    start, full = f"{depth['start'] * per_m:.0f}", f"{depth['full'] * per_m:.0f}"
    return f"{full if start == full else f'{start}-{full}'} {unit}"


def _sources(crop: CropLine, width: int) -> Iterator[str]:
    for figure, source in crop["source"].items():
        yield from wrap(f"{figure.replace('_', ' ')}: {source}", width, INDENT + 2, first=INDENT)
