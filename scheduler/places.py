"""Where garden.yaml, the database and the published files are; light enough for the morning summary."""

from __future__ import annotations

import stat
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


def unreadable(path: Path) -> str | None:
    """Why nothing can be read at a path; None for a file, or where that is not known before it is opened."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return f"a link to {path.readlink()}, which is not there" if path.is_symlink() else "no such file"
    except OSError as error:
        return f"cannot be read: {error.strerror or error}"
    if stat.S_ISDIR(mode):
        return "a folder, not a file"
    return None if stat.S_ISREG(mode) else "a pipe or a device, not a file"


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
            if why := unreadable(path):
                raise BadInput(f"{path}: {why} (named by {by})", hint=HINT_INIT)
            return path
    from platformdirs import user_config_path

    places = (system, user_config_path("rowwater", appauthor=False) / "garden.yaml", cwd / "garden.yaml")
    for path in places:
        if path.is_file():
            return path
    raise BadInput("no garden.yaml found; looked for " + ", ".join(map(str, places)), hint=HINT_INIT)
