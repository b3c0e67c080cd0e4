from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from weather_sources.replay import Replay, serving

from scheduler.model import Location


@pytest.fixture
def replay() -> Iterator[Replay]:
    with serving() as server:
        yield server


@pytest.fixture
def weather_folder() -> Path:
    return Path(__file__).parent.parent / "weather"


@pytest.fixture
def samples(weather_folder: Path) -> Path:
    return weather_folder / "samples"


@pytest.fixture
def fernhollow() -> Location:
    """The made-up place of the invented samples."""
    return Location(latitude_deg=34.5, longitude_deg=-81.5, elevation_m=152, timezone="America/New_York")
