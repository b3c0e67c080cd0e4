"""What the disk refuses is written later, and only a write shows that it is well again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from scheduler.cli.text.log import log_text
from scheduler.errors import CouldNot
from scheduler.model import Applied, Opening, Share
from scheduler.pages.log import log_page
from scheduler.planning.on_record import given_lines
from scheduler.service.actions import Hold, Write, Written
from scheduler.service.books import AskDay, Books, DayRead, Disk
from scheduler.store.opening import Setup
from scheduler.store.store import Store

NOW = datetime(2026, 6, 1, 11, 0, tzinfo=UTC)


def test_a_stop_that_the_disk_refused_is_on_record_once_it_takes_it(tmp_path: Path) -> None:
    full = True

    def open_store() -> Store:
        if full:
            raise CouldNot("no space left")
        return Store.open(tmp_path / "rowwater.db", now=NOW)

    books = Books(open_store, lambda _: None)
    assert books.do(Hold(("beans", "squash"), date(2026, 6, 2), NOW)) == [Disk("books", "no space left")]
    assert books.waits
    assert books.rebook() == [Disk("books", "no space left")]
    full = False
    assert books.rebook()[-1] == Disk("books", None)
    assert not books.waits
    assert books.rebook() == []
    books.close()
    with Store.open(tmp_path / "rowwater.db", now=NOW) as store:
        kept = [(note.kind, note.zone, note.details) for note in store.notes()]
    assert kept == [("hold", zone, {"until": "2026-06-02"}) for zone in ("beans", "squash")]


def test_a_read_does_not_show_that_the_disk_takes_records_again(tmp_path: Path) -> None:
    path = tmp_path / "rowwater.db"
    Store.open(path, now=NOW).close()
    books = Books(lambda: Store.open(path, now=NOW, setup=Setup(patience_s=0.05)), lambda _: None)
    share = Share("beans", NOW.date(), 1, 1.0, 5.0, 0.05, 0.05)
    opening = Opening("u", "gpio:1", 60.0, (share,), NOW, "boot", 1.0)
    day = AskDay(NOW.date())
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        (locked, written) = books.do(Write(opening))
        assert isinstance(locked, Disk)
        assert "locked" in str(locked.why)
        assert written == Written("u", False, str(locked.why))
        read, still = books.do(day)
        assert isinstance(read, DayRead)
        assert still == locked
        other.execute("ROLLBACK")
    read, well = books.do(day)
    assert isinstance(read, DayRead)
    assert well == Disk("books", None)
    assert [type(answer) for answer in books.do(day)] == [DayRead]
    books.close()


def test_water_between_bounds_is_shown_with_them(tmp_path: Path) -> None:
    """In the log's JSON and text, and in what today.json lists as given; sure minutes stay one figure."""
    day = date(2026, 6, 1)
    sure = Applied("beans", day, 10.0, 40.0, 2.2, 2.0, "done", NOW, pulse=1)
    late = replace(sure, minutes=0.0, liters=0.0, outcome="interrupted", least_minutes=0.0, most_minutes=0.25)
    with Store.open(tmp_path / "rowwater.db", now=NOW) as store:
        for record in (sure, replace(late, pulse=2), replace(sure, zone="squash")):
            store.add_applied(record)
        page = log_page(store, day, day, None)
        (beans, squash) = given_lines(store.applied(day, day), store.plans(day, day))
    for line in (page["days"][0], beans):
        assert (line["minutes"], line["least_minutes"], line["most_minutes"]) == (10.0, 10.0, 10.25)
    for line in (page["days"][1], squash):
        assert "least_minutes" not in line
    assert "interrupted: 10.0 to 10.2 min" in log_text(page, "us", 100)
