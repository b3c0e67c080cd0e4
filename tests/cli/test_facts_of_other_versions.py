"""Facts from and into records of an older or a newer version: all of them, or a clear word and nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from cli.conftest import Clock, Grower

from scheduler.store import migrate, rows
from scheduler.store.opening import SHIPPED

TABLES = ("weather_values", "applied", "notes", "plans", "openings", "heartbeats", "closings", "store_info")


def as_of(revision: str, database: Path, to: Path) -> None:
    """The same facts as the program of that revision kept them."""
    to.parent.mkdir(exist_ok=True)
    with migrate.writing(to, 5.0) as connection:
        migrate.upgrade(connection, SHIPPED.scripts, revision)
    with closing(sqlite3.connect(to)) as old, closing(sqlite3.connect(database)) as new:
        there = {name for (name,) in old.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in there - {"alembic_version"}:
            for row in new.execute(f"SELECT * FROM {table}"):
                values = list(row)
                if table == "plans":
                    values[-2:] = [rows.json_text(rows.unpacked(one)) for one in values[-2:]]
                old.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(values))})", values)
        old.commit()


@pytest.fixture
def lived(grower: Grower, clock: Clock) -> Grower:
    """Two days, planned and answered: all in `facts.jsonl`, the first in `old/` and `older/` too."""
    for day in ("2015-07-01", "2015-07-02"):
        clock(f"{day}T05:00")
        assert grower("day").status in (0, 3)
        clock(f"{day}T12:00")
        assert grower("note", "applied", "--as-planned").status in (0, 2)
        if day.endswith("01"):
            database = grower.data / "rowwater.db"
            as_of("0002", database, grower.folder / "old" / "rowwater.db")
            as_of("0001", database, grower.folder / "older" / "rowwater.db")
    assert grower("facts", "--export", "facts.jsonl").status == 0
    return grower


def log(grower: Grower, *more: str) -> str:
    return grower("log", "--from", "2015-07-01", "--to", "2015-07-02", *more).out


@pytest.mark.parametrize("folder", ["old", "older"])
def test_into_older_records_which_are_upgraded_first(lived: Grower, folder: str) -> None:
    before = log(lived)
    said = lived("facts", "--import", "facts.jsonl", "--data", folder)
    assert said.status == 0, said.err
    assert "rowwater.db.before-0003" in said.err
    assert (lived.folder / folder / "rowwater.db.before-0003").exists()
    assert "plan 1" in said.out
    assert log(lived, "--data", folder) == before
    again = lived("facts", "--import", "facts.jsonl", "--data", folder)
    assert "on record already: nothing was written" in again.out


@pytest.mark.parametrize("folder", ["old", "older"])
def test_from_older_records_nothing_is_lost(lived: Grower, folder: str) -> None:
    said = lived("facts", "--import", f"{folder}/rowwater.db", "--data", "fresh")
    assert said.status == 0, said.err
    assert "lost" not in said.out
    assert "plan 1" in said.out
    whole = lived("log", "--to", "2015-07-01", "--data", folder).out
    assert lived("log", "--to", "2015-07-01", "--data", "fresh").out == whole
    said = lived("facts", "--import", f"{folder}/rowwater.db")
    assert "on record already: nothing was written" in said.out


def test_records_of_a_newer_version_are_left_alone(lived: Grower) -> None:
    newer = lived.folder / "newer" / "rowwater.db"
    newer.parent.mkdir()
    newer.write_bytes((lived.data / "rowwater.db").read_bytes())
    with closing(sqlite3.connect(newer)) as records:
        records.execute("ALTER TABLE applied ADD COLUMN seen_by TEXT")
        records.execute("UPDATE alembic_version SET version_num = '0004'")
        records.commit()
    before = newer.read_bytes()
    for words in (
        ("--import", "newer/rowwater.db", "--data", "fresh"),
        ("--import", "facts.jsonl", "--data", "newer"),
        ("--export", "out.jsonl", "--data", "newer"),
    ):
        said = lived("facts", *words)
        assert said.status == 1, words
        assert "newer version" in said.err, words
    assert newer.read_bytes() == before
    assert lived("log", "--data", "fresh").out == lived("log", "--data", "none").out


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"version": 1', '"version": 2', "facts.jsonl:1: version: expected 1, found 2"),
        ('"fact": "plan"', '"fact": "plan", "seen_by": "Ann"', '"seen_by" is not known'),
    ],
)
def test_an_export_of_a_newer_version(lived: Grower, old: str, new: str, said: str) -> None:
    path = lived.folder / "facts.jsonl"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    told = lived("facts", "--import", "facts.jsonl", "--data", "old")
    assert told.status == 2
    assert said in told.err
    assert "a newer rowwater may have written it" in told.err
    assert "2015-07-02" not in log(lived, "--data", "old")
    assert "2015-07-01" in log(lived, "--data", "old")
