"""Records that were damaged: what can still be read of them comes back, the rest is counted as lost."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from cli.conftest import Clock, Grower
from store.samples import DAY, NOW, keep_a_season

from scheduler.model import Note
from scheduler.store.owner import Owner
from scheduler.store.store import Store
from scheduler.store.told import told, withdraw

PAGE = 4096


def noise(database: Path) -> None:
    """8 KiB somewhere behind the first page."""
    text = bytearray(database.read_bytes())
    place = (len(text) // 2) // PAGE * PAGE
    text[place : place + 2 * PAGE] = random.Random(3).randbytes(2 * PAGE)
    database.write_bytes(text)


def cut_off(database: Path) -> None:
    database.write_bytes(database.read_bytes()[: -6 * PAGE])


def wrong_index(database: Path) -> None:
    with closing(sqlite3.connect(database)) as records:
        records.execute("PRAGMA writable_schema = ON")
        records.execute("UPDATE sqlite_master SET rootpage = 3 WHERE name = 'applied_day'")
        records.commit()


def flipped_moment(database: Path) -> None:
    database.write_bytes(database.read_bytes().replace(b"2026-06-12T08:00", b"2026-06-12X08:00", 1))


@pytest.mark.parametrize("spoil", [noise, cut_off, wrong_index, flipped_moment])
def test_what_can_be_read_comes_back(grower: Grower, clock: Clock, spoil: Callable[[Path], None]):
    database = grower.data / "rowwater.db"
    keep_a_season(database)
    with Store.open(database, now=NOW) as store:
        store.keep_for(Owner.of("Creekside plot", 47.44, -122.31, str(grower.folder), "garden.yaml"))
        store.add_note(Note("filter", DAY, NOW + timedelta(minutes=1)))
        withdraw(store, told(store)[0], NOW + timedelta(minutes=2))
        whole = (len(store.applied(DAY - timedelta(days=60), DAY)), len(store.notes()))
    assert whole == (50, 1)
    spoil(database)
    (grower.data / "rowwater.db.checked").unlink(missing_ok=True)
    clock("2026-06-12T10:00")
    said = grower("note", "list")
    assert "What can still be read of it comes back with: rowwater facts --import" in said.err
    (aside,) = grower.data.glob("rowwater.db.broken-*")
    said = grower("facts", "--import", str(aside))
    assert said.status == 0, said.err
    assert "facts taken in" in said.out
    with Store.open(database, now=NOW) as store:
        found = store.applied(DAY - timedelta(days=60), DAY)
        weather = store.weather(DAY - timedelta(days=60), DAY + timedelta(days=60))
        assert len(weather) >= 1000, "of 1440"
        assert len(found) >= (0 if spoil is cut_off else 35), "water was written last: a cut takes it first"
        assert store.first_day == DAY - timedelta(days=50)
        lost = 50 - len(found)
        assert lost == 0 or "could not be read: what they said is lost" in said.out
    again = grower("facts", "--import", str(aside))
    assert "nothing was written" in again.out


def test_of_noise_alone_nothing_comes_back(grower: Grower, clock: Clock):
    clock("2026-06-12T10:00")
    (grower.folder / "rowwater.db.broken-20260612T040000").write_bytes(b"noise" * 4000)
    said = grower("facts", "--import", "rowwater.db.broken-20260612T040000")
    assert said.status == 1
    assert "can be read" in said.err
    assert "deploy/restore.sh" in said.err
