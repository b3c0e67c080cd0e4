"""What the disk refuses is written later: here of zones that a person stopped."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.service.actions import Hold
from scheduler.service.books import Books, Disk
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
