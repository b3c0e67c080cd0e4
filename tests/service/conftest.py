"""A shed per test; every service that a test started is ended."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from service.shed import Shed


@pytest.fixture
def make_shed(tmp_path: Path) -> Iterator[Callable[..., Shed]]:
    sheds: list[Shed] = []

    def make(name: str = "shed", **settings: Any) -> Shed:
        shed = Shed(tmp_path / name, **settings)
        sheds.append(shed)
        return shed

    yield make
    for shed in sheds:
        shed.end()
