"""What can still be read of a damaged database, or one of an older version, as the lines of a facts file."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.store.exchange.judge import Unfit
from scheduler.store.exchange.kinds import FORMAT, KINDS, VERSION, line_of, valve_name
from scheduler.store.exchange.reading import judged
from scheduler.store.files import SIDECARS, has_header
from scheduler.store.opening import HEAD
from scheduler.store.owner import OWNERS, Owner
from scheduler.store.rows import unpacked
from scheduler.store.withdrawn import UNDO

AT_ONCE = 500
MOST_BYTES = 8 * 2**30
LEDGER_SINCE = "0002"


class Salvage:
    """One damaged file, read on a copy; `lost`: rows that could not be read, or hold what nobody wrote."""

    def __init__(self, database: Path, owner: Owner) -> None:
        """owner: of a file that cannot say whose it is."""
        self._database = database
        self._owner = owner
        self._ids: dict[str, set[int]] = {"notes": set(), "applied": set()}
        self.lost = 0

    def lines(self) -> Iterator[bytes]:
        """CouldNot where nothing of it can be read."""
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / "damaged.db"
            for ending in ("", *SIDECARS):
                beside = self._database.with_name(self._database.name + ending)
                if beside.exists():
                    shutil.copyfile(beside, copy.with_name(copy.name + ending))
            _fill_up(copy)
            with closing(sqlite3.connect(copy)) as connection:
                connection.row_factory = sqlite3.Row
                yield from self._all(connection)

    def _all(self, connection: sqlite3.Connection) -> Iterator[bytes]:
        try:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.DatabaseError as error:
            raise CouldNot(
                f"nothing of {self._database} can be read ({error})",
                hint="sudo deploy/restore.sh /var/backups/rowwater brings the newest copy back",
            ) from None
        revision = _revision(connection)
        if revision is not None and revision > HEAD:
            raise CouldNot(
                f"{self._database} was written by a newer version (revision {revision})",
                hint="upgrade this one",
            )
        yield line_of(self._header(connection)).encode()
        ledger = ("opening", "closing") if revision is None or revision >= LEDGER_SINCE else ()
        for kind in ("weather", "applied", "note", *ledger):
            for row in self._rows(connection, KINDS[kind].table):
                yield from self._line(kind, row)
        yield from self._plans(connection)

    def _header(self, connection: sqlite3.Connection) -> dict[str, Any]:
        info: dict[str, str] = {}
        owner = self._owner
        try:
            owner = Owner.read(connection.execute(OWNERS).fetchall()[-1]["value"])
            info = dict(connection.execute("SELECT name, value FROM store_info").fetchall())
        except (sqlite3.DatabaseError, ValueError, TypeError, LookupError):
            self.lost += 1
        known = {"known_from": info["first_day"]} if "first_day" in info else {}
        place = {"latitude": owner.latitude, "longitude": owner.longitude}
        return {"format": FORMAT, "version": VERSION, "garden": owner.name, **place, **known}

    def _rows(self, connection: sqlite3.Connection, table: str) -> Iterator[sqlite3.Row]:
        """By id; where a stretch cannot be read its halves are tried, down to the row."""
        try:
            last = connection.execute(f"SELECT max(id) FROM {table}").fetchone()[0] or 0
        except sqlite3.DatabaseError:
            yield from self._until_broken(connection, table)
            return
        for first in range(1, last + 1, AT_ONCE):
            yield from self._stretch(connection, table, first, min(first + AT_ONCE - 1, last))

    def _until_broken(self, connection: sqlite3.Connection, table: str) -> Iterator[sqlite3.Row]:
        """Where not even the end of a table can be found: from its beginning, as far as that goes."""
        try:
            yield from connection.execute(f"SELECT * FROM {table} ORDER BY id")
        except sqlite3.DatabaseError:
            self.lost += 1

    def _stretch(
        self, connection: sqlite3.Connection, table: str, first: int, last: int
    ) -> Iterator[sqlite3.Row]:
        query = f"SELECT * FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id"
        try:
            yield from connection.execute(query, (first, last)).fetchall()
        except sqlite3.DatabaseError:
            if first == last:
                self.lost += 1
                return
            middle = (first + last) // 2
            yield from self._stretch(connection, table, first, middle)
            yield from self._stretch(connection, table, middle + 1, last)

    def _plans(self, connection: sqlite3.Connection) -> Iterator[bytes]:
        """The newest of each day that can be read."""
        newest: dict[str, bytes] = {}
        for row in self._rows(connection, "plans"):
            for line in self._line("plan", row):
                newest[row["day"]] = line
        yield from newest.values()

    def _line(self, kind: str, row: sqlite3.Row) -> Iterator[bytes]:
        """None of a row that holds what no fact may hold."""
        try:
            found = {name: row[name] for name in KINDS[kind].columns if row[name] is not None}
            line = line_of(self._shown(kind, row["id"], found)).encode()
            judged(line)
        except (Unfit, ValueError, TypeError, LookupError, zlib.error):
            self.lost += 1
            return
        if KINDS[kind].table in self._ids:
            self._ids[KINDS[kind].table].add(row["id"])
        yield line

    def _shown(self, kind: str, row_id: int, found: dict[str, Any]) -> dict[str, Any]:
        for name in ("measured", "replaces_day"):
            if name in found:
                found[name] = bool(found[name])
        for name in ("page", "working"):
            if name in found:
                kept = found[name]  # before revision 0003 as text
                found[name] = read_json(kept) if isinstance(kept, str) else unpacked(kept)
        if "valve" in found:
            found["valve"] = valve_name(found["valve"])
        if "details" in found:
            found["details"] = read_json(found["details"])
            if found["kind"] == UNDO:  # of what is lost it can say nothing more
                found["details"] = {
                    table: [one for one in found["details"][table] if one in ids]
                    for table, ids in self._ids.items()
                }
        return {"fact": kind, **({"number": row_id} if KINDS[kind].numbered else {}), **found}


def _revision(connection: sqlite3.Connection) -> str | None:
    """None where it cannot be read."""
    try:
        ((revision,),) = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    except (sqlite3.DatabaseError, ValueError):
        return None
    return revision if str(revision).isdigit() else None


def _fill_up(copy: Path) -> None:
    """A file that was cut off is not opened at all: empty pages stand for those that are gone.

    Sizes by https://sqlite.org/fileformat2.html, 1.3.2 and 1.3.8.
    """
    with copy.open("rb+") as file:
        head = file.read(32)
        page = int.from_bytes(head[16:18], "big")
        size = int.from_bytes(head[28:32], "big") * (65536 if page == 1 else page)
        if copy.stat().st_size < size <= MOST_BYTES:
            file.truncate(size)


def is_database(path: Path) -> bool:
    return has_header(path) or ".broken-" in path.name
