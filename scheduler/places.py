"""Where the database and the published files live; light enough for the morning summary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

SERVICE_FOLDER = Path("/var/lib/rowwater")


@dataclass(frozen=True, slots=True)
class Places:
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
