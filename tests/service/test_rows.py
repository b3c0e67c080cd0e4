"""Faults that the other files leave out, provoked on the real service, and on the meter."""

from __future__ import annotations

import re
import resource
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from service.shed import Shed
from service.world import World

from scheduler.service.meter import EVERY_S, Meter

MakeShed = Callable[..., Shed]

ONE_PAGE = 4096  # the witness and today.json need less

BREAK = """import sys, time
from scheduler.service import main as serving, tick as runner
tick = runner.Runner.tick
def broken(self, at, **more):
    tick(self, at, **more)
    if any(held.phase == "open" for held in self.ledger.open_runs.values()):
        {what}
runner.Runner.tick = broken
import json
serving.main(json.loads(sys.argv[1]))
"""


@pytest.mark.parametrize("system_zone", ["Asia/Kathmandu", "Pacific/Kiritimati"])
def test_row_5_the_zone_of_the_site_counts_and_not_the_computers(
    make_shed: MakeShed, system_zone: str
) -> None:
    shed = make_shed()
    shed.environ["TZ"] = system_zone
    shed.plan([("a", 1, 0.5, 1.0)])
    shed.start()
    shed.until(lambda: shed.rows("SELECT 1 FROM applied"), 20, "the run to be booked")
    ((day, outcome),) = shed.rows("SELECT day, outcome FROM applied")
    assert (day, outcome) == (datetime.now(ZoneInfo(shed.zone)).date().isoformat(), "done")
    assert shed.today()["timezone"] == shed.zone


@pytest.mark.parametrize("what", ['raise OSError("no space left")', "time.sleep(60)"])
def test_row_8_a_loop_that_breaks_or_hangs_ends_closed_and_not_with_success(
    make_shed: MakeShed, what: str
) -> None:
    shed = make_shed()
    shed.plan([("a", 1, 0.5, 60.0)])
    shed.start(quick=True, launch=["-c", BREAK.format(what=what)])
    shed.until(lambda: any(line.word == "open" for line in shed.lines()), 20, "the run")
    shed.until(lambda: not shed.is_open("a"), 5.0, "the close")
    assert shed.process is not None
    assert shed.process.wait(60) != 0
    shed.start()
    shed.until(lambda: "interrupted" in shed.said() or "was stopped" in shed.said(), 10, "the summary")


def test_row_12_each_start_that_fails_closes_first(make_shed: MakeShed) -> None:
    shed = make_shed()
    shed.start()
    shed.kill()
    (shed.data / "in-use.json").unlink()
    shed.garden.unlink()
    for _ in range(3):
        before = len(shed.lines())
        shed.start(wait=False)
        assert shed.process is not None
        assert shed.process.wait(30) != 0
        assert {(line.zone, line.word) for line in shed.lines()[before:]} >= {(z, "close") for z in "abc"}


def test_row_16_a_full_card_opens_nothing_and_holds_up_no_close(make_shed: MakeShed) -> None:
    """No file may grow beyond a page of the database, as on a full card: the error is SQLite's own."""
    shed = make_shed()
    shed.start()
    shed.plan([("a", 1, 4.0, 5.0), ("b", 1, 14.0, 1.0)])
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    assert shed.process is not None
    before = resource.prlimit(shed.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(shed.process.pid, resource.RLIMIT_FSIZE, (ONE_PAGE, before[1]))
    shed.until(lambda: not shed.is_open("a"), 8.0, "the close")
    shed.until(lambda: "could not be recorded" in shed.said(), 15, "the summary")
    time.sleep(8.0)
    assert not [line for line in shed.lines() if (line.zone, line.word) == ("b", "open")]
    assert shed.rowwater("morning").returncode in (0, 3)
    resource.prlimit(shed.process.pid, resource.RLIMIT_FSIZE, before)
    shed.until(lambda: shed.is_open("b"), 40, "the other run, once there is room")
    shed.until(lambda: len(shed.rows("SELECT 1 FROM applied")) == 2, 20, "the books")


@pytest.mark.parametrize("loss", ["deleted while running", "noise", "empty"])
def test_row_18_a_lost_database_counts_today_as_watered(make_shed: MakeShed, loss: str) -> None:
    shed = make_shed()
    shed.start()
    shed.plan([("a", 1, 6.0, 2.0)])
    shed.until(lambda: shed.rows("SELECT 1 FROM plans"), 10, "the plan")
    database = shed.data / "rowwater.db"
    if loss != "deleted while running":
        shed.kill()
    for path in shed.data.glob("rowwater.db*"):
        path.unlink()
    if loss == "noise":
        database.write_bytes(b"noise" * 1600)
    elif loss == "empty":
        database.touch()
    if loss != "deleted while running":
        shed.start()
    shed.plan([("a", 1, 6.0, 2.0)])
    time.sleep(8.0)
    assert not [line for line in shed.lines() if line.word == "open"]
    shed.until(lambda: "today counts as watered" in shed.said(), 10, "the summary")


def flowing(world: World, meter: Meter, lpm: float, minutes: float) -> None:
    """The meter turns at this rate for so long, whatever the valves do."""
    total = getattr(meter, "_played_total", 0.0)
    end = world.now + minutes * 60
    while world.now < end:
        world.run(world.now + EVERY_S)
        total += lpm * EVERY_S / 60
        meter.take(world.mono, total)
        world.runner.perform(at := world.moment(), meter.look(at, world.runner.ledger, "us"))
    meter._played_total = total  # type: ignore[attr-defined]


def until_open(world: World) -> None:
    while not any(valve.open_since is not None for valve in world.valves.values()):
        world.run(world.now + 30)
        assert world.now < 8 * 3600


def metered() -> tuple[World, Meter]:
    world, meter = World(2), Meter()
    meter._settings = {}
    meter._last = 0.0
    return world, meter


def test_row_32_flow_while_every_valve_is_closed_is_an_alarm() -> None:
    world, meter = metered()
    flowing(world, meter, 3.0, 30)
    assert any("leak?" in text and "every valve closed" in text for text in world.told)


def test_row_32_no_flow_while_a_valve_is_open_is_an_alarm() -> None:
    world, meter = metered()
    until_open(world)
    flowing(world, meter, 0.0, 8)
    assert any("no water:" in text and "draws 0.00 gpm" in text for text in world.told)
    assert not any("leak?" in text for text in world.told)


def test_row_32_a_burst_is_closed_and_kept_dry() -> None:
    world, meter = metered()
    until_open(world)
    flowing(world, meter, 80.0, 8)
    assert any("burst" in text for text in world.told)
    assert all(valve.open_since is None for valve in world.valves.values())
    assert world.disk.held


def test_nothing_is_dropped_into_the_working_folder(make_shed: MakeShed, tmp_path: Path) -> None:
    here = tmp_path / "here"
    here.mkdir()
    shed = make_shed(cwd=here)
    shed.plan([("a", 1, 0.5, 1.0)])
    shed.start()
    shed.until(lambda: shed.rows("SELECT 1 FROM applied"), 20, "the run to be booked")
    shed.end()
    assert list(here.iterdir()) == []


def test_every_test_that_the_table_names_exists() -> None:
    here = Path(__file__).parent
    named = set(re.findall(r"`(test_\w+)`", (here / "README.md").read_text(encoding="utf-8")))
    files = [path.read_text(encoding="utf-8") for path in here.parent.rglob("test_*.py")]
    assert named <= {name for text in files for name in re.findall(r"^def (test_\w+)", text, re.MULTILINE)}
    assert len(named) > 40
