"""A place for a database, and an open store in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from store.samples import NOW

from scheduler.store.store import Store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "rowwater.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path, now=NOW) as opened:
        yield opened
