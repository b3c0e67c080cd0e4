"""Where garden.yaml, the database and the published files are; light enough for the morning summary."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from scheduler.errors import BadInput

SYSTEM_CONFIG = Path("/etc/rowwater/garden.yaml")
HINT_INIT = "`rowwater init` writes a garden.yaml to start from; `--config PATH` names one"
SERVICE_FOLDER = Path("/var/lib/rowwater")


class Places(NamedTuple):
    """Where this garden's file and its data folder are."""

    config: Path  # garden.yaml
    data: Path


def data_dir(explicit: str | None, environ: Mapping[str, str]) -> Path:
    """--data, $ROWWATER_DATA, the service's folder where it is installed, else the user's data folder."""
    for chosen in (explicit, environ.get("ROWWATER_DATA")):
        if chosen:
            return Path(chosen)
    if SERVICE_FOLDER.is_dir():
        return SERVICE_FOLDER
    from platformdirs import user_data_path

    return user_data_path("rowwater", appauthor=False)


def find_config(
    explicit: str | None, environ: Mapping[str, str], cwd: Path, *, system: Path = SYSTEM_CONFIG
) -> Path:
    """garden.yaml: `explicit`, $ROWWATER_CONFIG, /etc/rowwater, the user's config dir, ./garden.yaml.

    Raises BadInput with the places looked at.  One that was named must exist: no other is taken instead.
    """
    for named, by in ((explicit, "--config"), (environ.get("ROWWATER_CONFIG"), "$ROWWATER_CONFIG")):
        if named:
            path = cwd / Path(named).expanduser()
            if path.is_dir():
                raise BadInput(f"{path} is a folder: name the file in it (named by {by})")
            if not path.is_file():
                raise BadInput(f"{path}: no such file (named by {by})", hint=HINT_INIT)
            return path
    from platformdirs import user_config_path

    places = (system, user_config_path("rowwater", appauthor=False) / "garden.yaml", cwd / "garden.yaml")
    for path in places:
        if path.is_file():
            return path
    raise BadInput("no garden.yaml found; looked for " + ", ".join(map(str, places)), hint=HINT_INIT)
