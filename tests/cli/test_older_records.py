"""Days on which an old copy of the database stands in the place of the records: nothing is watered twice."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Clock, Grower

from scheduler.model import Applied, Opening, Share
from scheduler.service.folder import compare
from scheduler.store import older, openings, trace
from scheduler.store.owner import Owner
from scheduler.store.store import Store

DAY = "2015-07-01"
ZONE = ZoneInfo("America/Los_Angeles")
WORD = "--records-are-right"
OLDER = "the records are older than what was done"


def at(hour: int, minute: int = 0, day: str = DAY) -> datetime:
    return datetime.fromisoformat(f"{day} {hour:02}:{minute:02}").replace(tzinfo=ZONE)


def copy(source: Path, to: Path) -> None:
    """As `cp` with nobody at work; nothing marks it as a copy."""
    with closing(sqlite3.connect(source)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(source, to)


def put_back(grower: Grower, old: Path) -> None:
    for ending in ("-wal", "-shm"):
        (grower.data / f"rowwater.db{ending}").unlink(missing_ok=True)
    shutil.copy(old, grower.data / "put")
    (grower.data / "put").replace(grower.data / "rowwater.db")


def opened(grower: Grower) -> Store:
    return Store.open(grower.data / "rowwater.db", now=at(12))


def water(grower: Grower, run: dict[str, object], uid: str, *, closed: bool = True) -> None:
    """As the service books one planned run."""
    minutes, flow = float(str(run["minutes"])), float(str(run["flow_lpm"]))
    begin = datetime.fromisoformat(str(run["start"]))
    rate = float(str(run["net_mm"])) / minutes
    share = Share(str(run["zone"]), at(0).date(), int(str(run["pulse"])), minutes, flow, rate, rate, 0.0)
    opening = Opening(uid, "a valve", minutes * 60, (share,), begin, "this boot", 1.0)
    end = begin + timedelta(minutes=minutes)
    record = Applied(
        share.zone, share.day, minutes, minutes * flow, rate * minutes, rate * minutes, "done", end,
        pulse=share.pulse, opened_at=begin, closed_at=end,
    )  # fmt: skip
    with opened(grower) as store:
        openings.open_in_books(store, opening)
        if closed:
            openings.close_in_books(store, uid, [record], end)


@pytest.fixture
def noon(grower: Grower, clock: Clock) -> Path:
    """Watered from 04:00 on by a plan of 03:00; returns a copy of the records from before that."""
    text = grower.garden.read_text().replace(
        "    tape: thin\n", "    tape: thin\n    starting_deficit: 14 mm\n"
    )
    for pin in range(2, 20):
        text = text.replace("{by_hand: true}", f"{{gpio: {pin}}}", 1)
    grower.garden.write_text(text)
    clock(f"{DAY} 03:00")
    page = grower("day", "--json").json
    assert len(page["runs"]) >= 2
    old = grower.folder / "of this morning.db"
    copy(grower.data / "rowwater.db", old)
    for k, run in enumerate(page["runs"]):
        water(grower, run, f"opening {k}")
    clock(f"{DAY} 07:00")
    grower("day")
    return old


def planned(grower: Grower) -> float:
    """Minutes that are still to run."""
    page = grower("day", "--json").json
    with opened(grower) as store:
        done = openings.tried(store, at(0).date(), at(0).date())
    return sum(r["minutes"] for r in page["runs"] if (at(0).date(), r["zone"], r["pulse"]) not in done)


def bounds(grower: Grower) -> list[tuple[float, float | None, float | None]]:
    with opened(grower) as store:
        found = store.applied(at(0).date(), at(0).date())
    return [(one.minutes, one.least_minutes, one.most_minutes) for one in found]


def test_an_old_copy_put_back_at_noon_waters_nothing_again(grower: Grower, clock: Clock, noon: Path) -> None:
    """The day, the evening, the next morning, and the word of a person."""
    given = [minutes for minutes, _, _ in bounds(grower)]
    clock(f"{DAY} 12:00")
    put_back(grower, noon)
    assert grower("morning").out, "the summary stays what it was: it opens no database"

    said = grower("day")
    assert said.status == 3
    assert OLDER in said.err
    assert "Booked as uncertain" in said.err
    assert "through Thu 2015-07-02 unless you say: rowwater day --records-are-right" in " ".join(
        said.err.split()
    )
    assert bounds(grower) == [(minutes, 0.0, minutes) for minutes in given]
    assert planned(grower) == 0
    first = grower("morning")
    assert first.status == 3
    assert first.out.startswith(f"! {OLDER}")

    clock(f"{DAY} 20:00")
    assert OLDER in grower("note", "rain", "0.1in").err
    assert grower("morning").out.startswith(f"! {OLDER}")
    clock("2015-07-02 03:00")
    assert grower("day").status == 3
    assert grower("morning").out.count(OLDER) == 1

    told = grower("day", WORD)
    assert OLDER not in told.out
    clock("2015-07-02 07:00")
    again = grower("day")
    assert OLDER not in again.err
    assert OLDER not in grower("morning").out
    assert [row[0] for row in bounds(grower)] == given, "booked once"


def test_without_a_word_it_goes_on_by_what_is_known(grower: Grower, clock: Clock, noon: Path) -> None:
    clock(f"{DAY} 12:00")
    put_back(grower, noon)
    grower("day")
    for day, holds in (("2015-07-02", True), ("2015-07-03", False)):
        clock(f"{day} 03:00")
        grower("day")
        assert (OLDER in grower("morning").out) is holds


def no_trace(grower: Grower) -> None:
    (grower.data / trace.FILE).unlink()


def spoilt(grower: Grower) -> None:
    path = grower.data / trace.FILE
    path.write_bytes(path.read_bytes().replace(b"opening", b"opemimg").replace(b"\n", b"\n\xff{", 3))


def a_folder(grower: Grower) -> None:
    no_trace(grower)
    (grower.data / trace.FILE).mkdir()


@pytest.mark.parametrize("spoil", [no_trace, spoilt, a_folder])
def test_without_its_trace_todays_page_tells(
    grower: Grower, clock: Clock, noon: Path, spoil: Callable[[Grower], None]
) -> None:
    """Nothing is known of the water then: that it is missing is told all the same."""
    spoil(grower)
    clock(f"{DAY} 12:00")
    put_back(grower, noon)
    said = grower("day")
    assert said.status == 3
    assert OLDER in said.err
    assert bounds(grower) == []
    assert OLDER not in grower("day", WORD).out
    assert OLDER not in grower("day").err


def test_a_clock_that_is_wrong_hides_nothing(grower: Grower, clock: Clock, noon: Path) -> None:
    """A year behind: the day that counts is then that of the water."""
    put_back(grower, noon)
    with opened(grower) as store:
        older.look(store, None, day=at(0, day="2014-07-01").date(), now=at(12, day="2014-07-01"))
        assert older.told(store, at(0).date())
        assert older.told(store, at(0, day="2015-07-02").date())
        assert older.told(store, at(0, day="2015-07-03").date()) is None


def test_the_trace_of_another_garden_says_nothing(grower: Grower, clock: Clock, noon: Path) -> None:
    other = Owner("Back plot", 10.0, 20.0, "/elsewhere/garden.yaml")
    line = {"owner": {"name": other.name, "latitude": 10.0, "longitude": 20.0, "file": other.file}}
    trace.add(grower.data, line | {"openings": [{"opening": "theirs"}]})
    said = grower("day")
    assert OLDER not in said.err


def test_a_run_that_was_open_is_settled_by_its_driver(grower: Grower, clock: Clock, noon: Path) -> None:
    """Its opening is on record again; how long it ran the next start of the service works out."""
    run = {
        "zone": "beans", "pulse": 9, "minutes": 30, "flow_lpm": 4.0, "net_mm": 2.0,
        "start": at(8).isoformat(),
    }  # fmt: skip
    water(grower, run, "still open", closed=False)
    put_back(grower, noon)
    with opened(grower) as store:
        compare(grower.data, store, at(0).date())
        assert [one.opening.uid for one in openings.unsettled(store)] == ["still open"]
        openings.close_in_books(store, "still open", [], at(8, 30))
        assert openings.unsettled(store) == []


def test_run_again_by_the_old_copy_before_it_was_noticed(grower: Grower, clock: Clock, noon: Path) -> None:
    """Twice the water, and both are counted."""
    page = grower("day", "--json").json
    put_back(grower, noon)
    aside = grower.data / trace.FILE
    aside.rename(grower.folder / "aside")
    water(grower, page["runs"][0], "once more")
    (grower.folder / "aside").rename(aside)
    assert OLDER in grower("day").err
    zone = page["runs"][0]["zone"]
    with opened(grower) as store:
        twice = [one for one in store.applied(at(0).date(), at(0).date()) if one.zone == zone]
    assert sum(one.minutes for one in twice) >= 2 * page["runs"][0]["minutes"] - 1e-9


def test_a_restored_backup_asks_for_the_word_the_next_morning(
    grower: Grower, clock: Clock, noon: Path
) -> None:
    """On a new card: no trace, no summary; the copy itself says what it is."""
    with opened(grower) as store:
        store.backup(grower.folder / "backup.db")
    shutil.rmtree(grower.data)
    grower.data.mkdir()
    shutil.copy(grower.folder / "backup.db", grower.data / "rowwater.db")
    clock("2015-07-02 03:00")
    assert grower("day").status == 3
    assert grower("morning").out.startswith(f"! {OLDER}")
    assert OLDER not in grower("day", WORD).out
    clock("2015-07-03 03:00")
    assert OLDER not in grower("day").err


def test_a_deleted_database_is_told_and_its_water_is_counted(
    grower: Grower, clock: Clock, noon: Path
) -> None:
    given = sum(minutes for minutes, _, _ in bounds(grower))
    for name in ("rowwater.db", "rowwater.db-wal", "rowwater.db-shm"):
        (grower.data / name).unlink(missing_ok=True)
    clock(f"{DAY} 12:00")
    assert OLDER in grower("day").err
    assert sum(minutes for minutes, _, _ in bounds(grower)) == pytest.approx(given)
    with opened(grower) as store:
        assert store.replaced_on(at(0).date())
        older.give_word(store, at(12))
        assert not store.replaced_on(at(0).date())
        assert older.told(store, at(0).date()) is None


def test_the_trace_stays_small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace, "MOST_BYTES", 2000)
    for k in range(200):
        trace.add(tmp_path, {"k": k})
    assert (tmp_path / trace.FILE).stat().st_size <= 2100
    kept = [line["k"] for line in trace.read(tmp_path)]
    assert kept == list(range(kept[0], 200))
    with (tmp_path / trace.FILE).open("ab") as file:
        file.write(b'\n0123 {"k": 20')  # a power cut in the middle of a line
    trace.add(tmp_path, {"k": 200})
    assert [line["k"] for line in trace.read(tmp_path)] == [*kept, 200]


def test_a_plan_of_another_shape_is_named_and_stops_nothing(grower: Grower) -> None:
    """As another version or a failing card leaves it: an older plan of the day stands in."""
    assert grower("day", "--date", DAY).status in (0, 3)
    with opened(grower) as store:
        kept = store.plan(at(0).date())
        store.add_plan(at(0).date(), at(9), "another", {"runs": [{}]}, {})  # type: ignore[typeddict-item]
        assert store.plan(at(0).date()) == kept
    named = grower("day", "--date", DAY)
    assert named.status == 3
    assert "cannot be read: its run 1 has no zone. It stays on record" in " ".join(named.out.split())
    for words in (["log"], ["week"], ["note", "applied", "--as-planned", "--date", DAY]):
        said = grower(*words)
        assert said.status in (0, 3), (words, said)
    with opened(grower) as store:
        assert not store.unusable_plans(at(0).date(), at(0).date()), "a newer plan stands before it"
    assert "cannot be read" not in grower("day", "--date", "2015-07-02").out
