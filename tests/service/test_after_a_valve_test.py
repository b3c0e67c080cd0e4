"""A close of valve-test that nobody answered is carried out later: the service started next waits for it."""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from service.late_relays import LateRelay
from service.shed import Shed

MakeShed = Callable[..., Shed]
LATE_S = 6.0
ACTS_WITHIN_S = 20.0  # enough for the next service to start on a crowded machine
PROGRAM = """#!/bin/sh
# The first close after an open goes on in another session, and is not answered.
cd {folder}
echo "$1" >> told
if [ "$1" = open ]; then touch open opened; fi
if [ "$1" = close ] && [ -e opened ] && [ ! -e lost ]; then
  touch lost
  setsid sh -c "sleep {seconds}; rm -f open; echo late >> told" >/dev/null 2>&1 &
  exec sleep 30
fi
[ "$1" = close ] && rm -f open
exit 0
"""


@pytest.fixture
def late_valve(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, Callable[[], bool]]]:
    """As garden.yaml names it, and whether its water runs."""
    if request.param == "command":
        program = tmp_path / "late"
        program.write_text(PROGRAM.format(folder=tmp_path, seconds=LATE_S))
        program.chmod(0o755)
        yield f"{{command: [{program}], limit: 1 s}}", (tmp_path / "open").exists
        return
    relay = LateRelay(LATE_S, closes=True)
    yield relay.valve(), lambda: relay.water.open_since is not None
    relay.stop()


@pytest.mark.parametrize(
    ("late_valve", "ran_before"), [("http", False), ("command", True)], indirect=["late_valve"]
)
def test_the_next_service_opens_only_when_that_close_cannot_come_any_more(
    late_valve: tuple[str, Callable[[], bool]], make_shed: MakeShed, ran_before: bool
) -> None:
    valve, runs = late_valve
    shed = make_shed(valves={"a": valve}, acts_within_s=ACTS_WITHIN_S)
    if ran_before:
        shed.start()
        shed.kill(signal.SIGTERM)
    tested = shed.rowwater("valve-test", "a", "--yes", "--seconds", "1")
    sent_by = time.monotonic()
    assert tested.returncode == 0, tested
    assert "a: closed, but not at the first try: that one may still act for 120 s" in tested.stderr
    assert not runs()
    shed.start()
    said = watered(shed)
    while any(word in said.stderr for word in ("not read yet", "guard")):
        said = watered(shed)
    assert said.returncode == 1, said
    assert "a close sent before may still act on its valve until" in said.stderr
    shed.until(lambda: "a close sent before" not in watered(shed).stderr, 60, "the end of that time")
    assert runs()
    time.sleep(max(sent_by + LATE_S + 1.0 - time.monotonic(), 0.0))
    assert runs(), "no late close has ended it"


def watered(shed: Shed) -> subprocess.CompletedProcess[str]:
    time.sleep(0.3)
    return shed.rowwater("water", "a", "5 min")
