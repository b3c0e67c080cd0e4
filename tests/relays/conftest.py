"""Real things to drive, as fixtures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from relays.tools import Broker, Ear, Recorder, RelayServer


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    started = Broker(tmp_path)
    yield started
    started.stop()


@pytest.fixture
def ear(broker: Broker) -> Iterator[Ear]:
    listening = Ear(broker.port)
    yield listening
    listening.stop()


@pytest.fixture
def relay_server() -> Iterator[RelayServer]:
    server = RelayServer()
    yield server
    server.stop()


@pytest.fixture
def record(tmp_path: Path) -> Callable[[str], Recorder]:
    return lambda more="": Recorder(tmp_path, more)
