"""The real service: started, told to stop, killed, refused, cut off from clock, disk and settings."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from service.shed import Shed

from scheduler.store.owner import Owner, owners_of, refuse_another
from scheduler.store.store import Store

MakeShed = Callable[..., Shed]


def test_every_valve_is_closed_before_anything_else(make_shed: MakeShed) -> None:
    """P3: also valves of the configuration before, with a broken garden.yaml and a broken database."""
    shed = make_shed()
    shed.start()
    shed.kill()
    shed.garden.write_text("garden: [")
    for name in ("in-use.json",):
        (shed.data / name).unlink()
    (shed.data / "rowwater.db").write_bytes(b"noise" * 2000)
    before = len(shed.lines())
    shed.start(wait=False)
    assert shed.process is not None
    assert shed.process.wait(30) == 2
    assert {(line.zone, line.word) for line in shed.lines()[before:]} == {(z, "close") for z in "abc"}
    assert "garden.yaml:1" in shed.log()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_told_to_stop_in_a_run(make_shed: MakeShed, number: int) -> None:
    """Row 11: closed in 2 s, gone in 10 s, and the part that ran is in the books."""
    shed = make_shed()
    shed.plan([("a", 1, 1.0, 60.0)])
    shed.start()
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    time.sleep(2.0)
    assert shed.process is not None
    asked = time.monotonic()
    shed.process.send_signal(number)
    shed.until(lambda: not shed.is_open("a"), 2.0, "the close")
    assert shed.process.wait(10) == 0
    assert time.monotonic() - asked < 10
    ((outcome, minutes),) = shed.rows("SELECT outcome, minutes FROM applied")
    opened, closed = (line.at for line in shed.lines()[-2:]) if shed.lines()[-1].word == "close" else (0, 0)
    assert outcome == "cut short"
    ran = _ran(shed, "a")
    assert minutes * 60 == pytest.approx(ran, abs=0.5), (opened, closed)


def _ran(shed: Shed, zone: str) -> float:
    """True open seconds of the last opening."""
    opened = max(line.at for line in shed.lines() if (line.zone, line.word) == (zone, "open"))
    closes = (
        line.at for line in shed.lines() if (line.zone, line.word) == (zone, "close") and line.at >= opened
    )
    return min(closes) - opened


def test_a_second_service_is_refused_and_after_a_kill_the_next_starts(make_shed: MakeShed) -> None:
    """Row 13."""
    shed = make_shed()
    shed.start()
    assert shed.process is not None
    second = shed.rowwater("serve")
    assert second.returncode == 1
    assert str(shed.process.pid) in second.stderr
    shed.kill()
    shed.start()
    assert shed.process.poll() is None


CHILD_LIVES_ON = """
import json, os, sys, time
from scheduler.service import start
goes_on = start._run
def run(*given):
    if os.fork():
        return goes_on(*given)
    for k in range(3):
        os.dup2(os.open("/dev/null", os.O_RDWR), k)
    open(given[0] / "child", "w").write(str(os.getpid()))
    time.sleep(30)
    os._exit(0)
start._run = run
from scheduler.service.main import main
main(json.loads(sys.argv[1]))
"""


def test_a_child_that_outlives_the_service_keeps_nobody_from_driving(make_shed: MakeShed) -> None:
    """Row 13: it has every descriptor of the service, that of the lock too; the guard is dead."""
    shed = make_shed()
    shed.start(quick=True, launch=("-c", CHILD_LIVES_ON))
    shed.plan([("a", 1, 1.0, 60.0)])
    shed.until(lambda: shed.is_open("a"), 30, "the run")
    assert shed.process is not None
    before = shed.process.pid
    guard = shed.guard_pid()
    assert guard is not None
    os.kill(guard, signal.SIGKILL)
    shed.kill()
    child = int((shed.data / "child").read_text())
    try:
        shed.start()
        assert not shed.is_open("a")
        assert str(before) not in (shed.data / "valves.lock").read_text()
        refused = shed.rowwater("serve")
        assert (refused.returncode, str(shed.process.pid) in refused.stderr) == (1, True)
    finally:
        os.kill(child, signal.SIGKILL)


def test_where_nobody_may_drive_every_valve_is_closed_all_the_same(make_shed: MakeShed) -> None:
    """Row 13, P3: the holder is stopped, and its guard dead; then the lock cannot even be opened."""
    shed = make_shed()
    shed.start()
    shed.plan([("a", 1, 1.0, 60.0)])
    shed.until(lambda: shed.is_open("a"), 30, "the run")
    guard, process = shed.guard_pid(), shed.process
    assert guard is not None
    assert process is not None
    process.send_signal(signal.SIGSTOP)
    os.kill(guard, signal.SIGKILL)
    refused = shed.rowwater("serve")
    assert refused.returncode == 1
    assert f"process {process.pid}, which is stopped" in refused.stderr
    assert not shed.is_open("a")
    shed.kill()
    (shed.data / "valves.lock").unlink()
    (shed.data / "valves.lock").mkdir()
    before = len(shed.lines())
    refused = shed.rowwater("serve")
    assert refused.returncode == 1
    assert "cannot be locked" in refused.stderr
    assert {(line.zone, line.word) for line in shed.lines()[before:]} == {(z, "close") for z in "abc"}


@pytest.mark.parametrize("restart", [True, False])
def test_an_old_copy_of_the_records_waters_nothing_again(make_shed: MakeShed, restart: bool) -> None:
    """It is put back with its run over; the plan waits for a word, water by hand does not."""
    shed = make_shed()
    shed.plan([("a", 1, 8.0, 2.0)])
    with closing(sqlite3.connect(shed.data / "rowwater.db")) as whole:
        whole.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(shed.data / "rowwater.db", shed.folder / "old")
    shed.start()
    shed.until(lambda: shed.rows("SELECT 1 FROM applied"), 40, "the run")
    shed.until(lambda: '"closing"' in (shed.data / "openings.trace").read_text(), 10, "the trace of its end")
    if restart:
        shed.kill()
    for ending in ("-wal", "-shm"):
        (shed.data / f"rowwater.db{ending}").unlink(missing_ok=True)
    (shed.folder / "old").rename(shed.data / "rowwater.db")
    if restart:
        shed.start()
    else:
        (shed.data / "schedule.json").write_text("{} ")  # as a plan that somebody makes: it is read at once
    shed.until(lambda: "the records are older" in shed.said(), 30, "the word on it")
    assert "rowwater day --records-are-right" in shed.today()["notices"][0]["text"]
    assert "! the records are older" in shed.rowwater("morning").stdout.splitlines()[0]
    assert [line.word for line in shed.lines()].count("open") == 1
    ((minutes, least, most),) = shed.rows("SELECT minutes, least_minutes, most_minutes FROM applied")
    assert (minutes * 60, least, most) == (pytest.approx(2.0, abs=0.5), 0.0, minutes)
    shed.until(lambda: shed.rowwater("water", "b", "1 s").returncode == 0, 60, "water by hand")
    assert not shed.rows("SELECT 1 FROM openings WHERE pulse <> 1")


def test_an_untrusted_clock_opens_nothing_and_then_it_starts_by_itself(make_shed: MakeShed) -> None:
    """Row 1, P8."""
    shed = make_shed(synced=False)
    shed.plan([("a", 1, 0.5, 3.0)])
    shed.start()
    shed.until(lambda: "clock not trusted" in shed.said(), 10, "the summary")
    refused = shed.rowwater("water", "a", "5 s")
    assert refused.returncode == 1
    assert "clock" in refused.stderr
    assert not [line for line in shed.lines() if line.word == "open"]
    shed.witness.touch()
    shed.until(lambda: shed.is_open("a"), 10, "the run")
    shed.until(lambda: "clock not trusted" not in shed.said(), 10, "the summary")


def test_a_locked_database_delays_no_close_and_nothing_opens_without_a_record(make_shed: MakeShed) -> None:
    """Row 15, P9."""
    shed = make_shed()
    shed.start()
    shed.plan([("a", 1, 4.0, 4.0), ("b", 1, 12.0, 2.0)])
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    with closing(sqlite3.connect(shed.data / "rowwater.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        shed.until(lambda: not shed.is_open("a"), 5.0, "the close")
        assert _ran(shed, "a") == pytest.approx(4.0, abs=0.5)
        shed.until(lambda: "could not be recorded" in shed.said(), 15, "the summary")
        refused = shed.rowwater("water", "c", "20 min")
        assert refused.returncode == 1
        assert "open until" not in refused.stdout + refused.stderr
        (shed.data / "schedule.json").write_text("{ }")  # the books are read, which succeeds
        time.sleep(3.0)
        assert "could not be recorded" in shed.said()
        assert not shed.is_open("b")
        assert not shed.is_open("c")
        other.execute("ROLLBACK")
    shed.until(lambda: shed.is_open("b"), 40, "the other run, once its record can be written")
    shed.until(lambda: len(shed.rows("SELECT 1 FROM applied")) == 2, 20, "the books")
    ((minutes,),) = shed.rows("SELECT minutes FROM applied WHERE zone = 'a'")
    assert minutes * 60 == pytest.approx(4.0, abs=0.5)
    assert "could not be recorded" not in shed.said()
    assert not [line for line in shed.lines() if (line.zone, line.word) == ("c", "open")]


def test_a_bad_edit_keeps_the_last_good_version_also_after_a_restart(make_shed: MakeShed) -> None:
    """Row 19, P7."""
    shed = make_shed()
    good = shed.garden.read_text()
    shed.start()
    shed.garden.write_text(good.replace("    tape: thin\n", "    tape: thn\n", 1))
    shed.until(lambda: "garden.yaml:" in shed.said(), 20, "the complaint")
    first = shed.today()["notices"][0]
    assert first["level"] == "problem"
    assert "is in use" in first["text"]
    assert "thn" in first["text"]
    shed.plan([("a", 1, 12.0, 2.0)])
    shed.kill()
    shed.start()
    shed.until(lambda: shed.is_open("a"), 30, "the run under the last good version")
    assert "garden.yaml:" in shed.today()["notices"][0]["text"]
    shed.garden.write_text(good)
    shed.until(lambda: "garden.yaml:" not in shed.said(), 20, "the complaint to go")


def test_a_valve_that_does_not_confirm_counts_as_open(make_shed: MakeShed) -> None:
    """Row 29, P1: told again until it does; the others wait for the flow it may take."""
    shed = make_shed()
    shed.start()
    shed.plan([("a", 1, 4.0, 3.0), ("b", 1, 9.0, 12.0), ("c", 1, 9.2, 12.0)])
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    (shed.folder / "refuse-a").touch()
    shed.until(lambda: "does not confirm" in shed.said(), 15, "the alarm")
    shed.until(lambda: shed.is_open("b"), 15, "another run")
    time.sleep(1.0)
    assert not shed.is_open("c")
    (shed.folder / "refuse-a").unlink()
    shed.until(lambda: shed.is_open("c"), 20, "the third, once the first is closed")
    shed.until(lambda: "does not confirm" not in shed.said(), 10, "the alarm to go")


def test_frozen_and_closed_within_five_seconds(make_shed: MakeShed) -> None:
    """Row 10: the guard closes and ends the frozen service; the next start opens nothing of it again."""
    shed = make_shed()
    shed.plan([("a", 1, 0.5, 60.0)])
    shed.start()
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    assert shed.process is not None
    shed.process.send_signal(signal.SIGSTOP)
    shed.until(lambda: not shed.is_open("a"), 5.0, "the guard")
    shed.process.wait(10)
    shed.start()
    shed.until(lambda: "interrupted" in shed.said(), 10, "the summary")
    time.sleep(1.0)
    assert len([line for line in shed.lines() if line.word == "open"]) == 1


def test_water_and_stop(make_shed: MakeShed) -> None:
    shed = make_shed()
    shed.start()
    shed.until(lambda: shed.guard_pid() is not None, 10, "the guard")
    give_up = time.monotonic() + 20
    while True:  # on a busy machine the books take their time
        begin = time.monotonic()
        said = shed.rowwater("water", "a", "20 min")
        if "the books are not read yet" not in said.stderr or begin > give_up:
            break
    assert (said.returncode, said.stderr) == (0, "")
    assert shed.is_open("a")
    opened_in = time.monotonic() - begin
    assert shed.today()["open_now"] or shed.until(lambda: shed.today()["open_now"], 3, "today.json")
    assert shed.today()["open_now"][0]["zone"] == "a"
    assert shed.rowwater("water", "a", "5").returncode == 1  # in use
    assert shed.rowwater("water", "nowhere", "5").returncode == 1
    assert shed.rowwater("water", "b", "7 h").returncode == 1  # beyond its cap
    begin = time.monotonic()
    assert shed.rowwater("stop").returncode == 0
    assert not shed.is_open("a")
    closed_in = time.monotonic() - begin
    print(f"open after {opened_in:.1f} s, closed after {closed_in:.1f} s, with the command's own start")
    shed.until(lambda: shed.rows("SELECT outcome FROM applied") == [("cut short",)], 5, "the books")


def test_stop_works_without_the_service_and_water_does_not(make_shed: MakeShed) -> None:
    shed = make_shed()
    refused = shed.rowwater("water", "a", "5 s")
    assert refused.returncode == 1
    assert "hint" in refused.stderr
    assert shed.rowwater("stop").returncode == 0
    assert {(line.zone, line.word) for line in shed.lines()} == {(z, "close") for z in "abc"}
    (shed.folder / "refuse-b").touch()
    shed.start()
    shed.kill()
    left = shed.rowwater("stop", "b")
    assert left.returncode == 1
    assert "hand valve" in left.stderr


def files_of(data: Path) -> dict[str, bytes]:
    """What says whose garden it is, and what was planned."""
    names = [path for path in data.rglob("*") if path.name in ("garden.yaml", "in-use.json", "today.json")]
    return {str(path): path.read_bytes() for path in names}


def test_another_gardens_data_folder_is_refused_with_its_valves_closed(make_shed: MakeShed) -> None:
    """Nothing of the other garden is written; an edit that looks like another garden stops no water."""
    shed = make_shed()
    shed.start()
    shed.kill()
    with Store.open(shed.data / "rowwater.db", now=datetime.now(UTC)) as store:
        store.keep_for(Owner.of("Test shed", 47.44, -122.31, str(shed.folder), "garden.yaml"))
    kept, before, text = files_of(shed.data), len(shed.lines()), shed.garden.read_text()
    assert len(kept) >= 2
    elsewhere = shed.folder / "back"
    elsewhere.mkdir()
    other = text.replace("garden: Test shed", "garden: Back plot")
    (elsewhere / "garden.yaml").write_text(other)
    shed.environ["ROWWATER_CONFIG"] = str(elsewhere / "garden.yaml")
    shed.start(wait=False)
    assert shed.process is not None
    assert shed.process.wait(30) == 1
    assert {(line.zone, line.word) for line in shed.lines()[before:]} == {(z, "close") for z in "abc"}
    assert f"are those of another garden: Test shed ({shed.garden}), not Back plot" in shed.log()
    assert "rowwater day --same-garden" in shed.log()
    assert files_of(shed.data) == kept
    assert [owner.name for owner in owners_of(shed.data / "rowwater.db")] == ["Test shed"]

    shed.environ["ROWWATER_CONFIG"] = str(shed.garden)
    shed.garden.write_text(other.replace("latitude: 47.44", "latitude: 41.44"))
    shed.start()
    shed.until(lambda: "those of another garden" in shed.said(), 20, "the summary")
    assert "is in use" in shed.said()


def test_without_a_garden_it_says_where_it_looked(make_shed: MakeShed) -> None:
    shed = make_shed()
    shed.garden.unlink()
    shed.start(wait=False)
    assert shed.process is not None
    assert shed.process.wait(30) == 2
    assert f"{shed.garden}: no such file" in shed.log()
    del shed.environ["ROWWATER_CONFIG"]
    shed.environ["XDG_CONFIG_HOME"] = str(shed.folder / "settings")
    shed.start(wait=False)
    assert shed.process.wait(30) == 2
    assert "no garden.yaml found; looked for " in shed.log()
    for looked in ("/etc/rowwater/garden.yaml", "settings/rowwater/garden.yaml", str(shed.garden)):
        assert looked in shed.log()
    assert shed.log().count("`rowwater init` writes a garden.yaml to start from") == 2


def test_records_that_cannot_be_read_refuse_nobody(tmp_path: Path) -> None:
    """Whoever opens the database says what is wrong with it."""
    mine = Owner.of("Test shed", 47.44, -122.31, "/", "garden.yaml")
    for name, data in (("none.db", None), ("noise.db", b"noise" * 2000), ("empty.db", b"")):
        if data is not None:
            (tmp_path / name).write_bytes(data)
        refuse_another(mine, owners_of(tmp_path / name), tmp_path / name)
    assert not (tmp_path / "none.db").exists()


def test_a_run_of_two_hours_ago_is_watered_late_in_its_hours_and_after_them_no_more(
    make_shed: MakeShed,
) -> None:
    """Row 6: the service was down; what is left of the hours is used, and both are said."""
    shed = make_shed()
    shed.plan([("a", 1, -7200.0, 3.0), ("b", 1, -7200.0, 1200.0)], until_s=70.0)
    shed.start()
    shed.until(lambda: shed.is_open("a") or not shed.is_open("b"), 20, "the runs")
    shed.until(lambda: "a started late" in shed.said(), 20, "the line")
    shed.until(lambda: shed.rows("SELECT 1 FROM applied WHERE zone = 'a' AND outcome = 'done'"), 20, "a")
    assert re.search("a started late, .*: the service was not running, or its clock not trusted", shed.said())
    shed.until(lambda: shed.rows("SELECT 1 FROM applied WHERE zone = 'b'"), 90, "b")
    ((outcome, minutes),) = shed.rows("SELECT outcome, minutes FROM applied WHERE zone = 'b'")
    assert minutes * 60 <= 71.0
    assert outcome in ("cut short", "never opened")
    assert re.search("b: cut from 20 to 1 min|the run of .* did not happen", shed.said())
