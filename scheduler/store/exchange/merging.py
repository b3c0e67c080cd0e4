"""What was laid ready goes among the records: each fact once, in the order in which both came on record.

Facts are never edited; but queries read them in the order of their ids, so where older ones come in later, a
table is laid out anew with all of its rows. All of it is one transaction of the caller.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from scheduler.errors import BadInput
from scheduler.json_reading import read_json
from scheduler.store import rows
from scheduler.store.exchange.kinds import KINDS, Kind
from scheduler.store.withdrawn import UNDO


def merge(connection: sqlite3.Connection, name: str) -> dict[str, int]:
    """How many facts of each kind were new. BadInput for one that contradicts the records."""
    for kind in KINDS.values():
        _find_those_here(connection, kind)
    _find_undos_here(connection)
    _refuse_contradictions(connection, name)
    new = {name: _new(connection, kind) for name, kind in KINDS.items()}
    notes, applied = KINDS["note"], KINDS["applied"]
    moved = {table: _place(connection, kind) for table, kind in (("notes", notes), ("applied", applied))}
    if any(moved.values()):
        _renumber_old_undos(connection, moved)
    _renumber_new_undos(connection)
    for one in KINDS.values():
        if one not in (notes, applied):
            _place(connection, one)
    for one in KINDS.values():
        _write(connection, one)
    return new


# --- which are here already ---


def _find_those_here(connection: sqlite3.Connection, kind: Kind) -> None:
    """`had`: the id of the same fact in the records; of several that are alike the first has the first."""
    table, ready = kind.table, f"in_{kind.table}"
    if connection.execute(f"SELECT 1 FROM main.{table} LIMIT 1").fetchone() is None:
        return
    columns = ", ".join(kind.identity)
    connection.execute(
        f"UPDATE temp.{ready} SET nth = alike.nth FROM (SELECT place, row_number() OVER "
        f"(PARTITION BY {columns} ORDER BY place) - 1 AS nth FROM temp.{ready}) AS alike "
        f"WHERE alike.place = {ready}.place AND alike.nth > 0"
    )
    where = f"nth = 0 AND kind <> '{UNDO}'" if table == "notes" else "nth = 0"
    same = " AND ".join(f"old.{column} IS {ready}.{column}" for column in kind.identity)
    connection.execute(
        f"UPDATE temp.{ready} SET had = (SELECT min(old.id) FROM main.{table} AS old WHERE {same}) "
        f"WHERE {where}"
    )
    for place, nth in connection.execute(f"SELECT place, nth FROM temp.{ready} WHERE nth > 0").fetchall():
        connection.execute(
            f"UPDATE temp.{ready} SET had = (SELECT old.id FROM main.{table} AS old, temp.{ready} "
            f"WHERE {ready}.place = ?1 AND {same} ORDER BY old.id LIMIT 1 OFFSET ?2) WHERE place = ?1",
            (place, nth),
        )


def _find_undos_here(connection: sqlite3.Connection) -> None:
    """What an undo speaks of has other numbers there: it is here if all of that is, and says the same."""
    here = _ids_of_numbers(connection, "had")
    same = "SELECT id FROM main.notes WHERE kind = ? AND day IS ? AND recorded_at IS ? AND details = ?"
    for undo in _new_undos(connection):
        details = _renumbered(undo["details"], here)
        if details is None:
            continue
        key = (UNDO, undo["day"], undo["recorded_at"], details)
        if found := connection.execute(same, key).fetchone():
            connection.execute("UPDATE temp.in_notes SET had = ? WHERE place = ?", (found[0], undo["place"]))
            here["notes"][undo["number"]] = found[0]


def _refuse_contradictions(connection: sqlite3.Connection, name: str) -> None:
    found = connection.execute(_OPENED_OTHERWISE).fetchone()
    if found is not None:
        raise BadInput(
            f"{name}:{found['place']}: pulse {found['pulse']} of {found['zone']} on {found['day']} "
            "was opened in these records too, by another opening",
            hint="nothing was taken in: of one run only one of both can be true",
        )


_OPENED_OTHERWISE = """
SELECT new.place, new.zone, new.day, new.pulse FROM temp.in_openings AS new JOIN main.openings AS old
ON old.day = new.day AND old.zone = new.zone AND old.pulse = new.pulse
WHERE new.had IS NULL AND old.opening <> new.opening
"""


def _new(connection: sqlite3.Connection, kind: Kind) -> int:
    query = f"SELECT count(*) FROM temp.in_{kind.table} WHERE had IS NULL"
    return int(connection.execute(query).fetchone()[0])


# --- where the new ones stand ---


def _place(connection: sqlite3.Connection, kind: Kind) -> bool:
    """Gives each new fact its id (`had`; `nth` -1 marks a new one). Whether others had to move."""
    table, ready = kind.table, f"in_{kind.table}"
    last_id, last_at = connection.execute(f"SELECT max(id), max({kind.at}) FROM main.{table}").fetchone()
    first_new = connection.execute(f"SELECT min({kind.at}) FROM temp.{ready} WHERE had IS NULL").fetchone()[0]
    if first_new is None or last_at is None or first_new >= last_at:
        connection.execute(
            f"UPDATE temp.{ready} SET nth = -1, had = ? + behind.nth FROM (SELECT place, row_number() OVER "
            f"(ORDER BY place) AS nth FROM temp.{ready} WHERE had IS NULL) AS behind "
            f"WHERE behind.place = {ready}.place",
            (last_id or 0,),
        )
        return False
    _lay_out_anew(connection, kind)
    return True


def _lay_out_anew(connection: sqlite3.Connection, kind: Kind) -> None:
    """All rows of the records to `old_TABLE`, with the id that each gets: two lists merged.

    A clock that was set back makes a list go back in time: its rows then stand with the latest before them.
    """
    table, ready = kind.table, f"in_{kind.table}"
    columns = ", ".join(kind.columns)
    connection.execute(f"DROP TABLE IF EXISTS temp.old_{table}")
    connection.execute(
        f"CREATE TEMP TABLE old_{table} AS SELECT id AS was, 0 AS id, {columns} FROM main.{table} ORDER BY id"
    )
    connection.execute(f"CREATE UNIQUE INDEX temp.old_{table}_was ON old_{table} (was)")
    connection.execute("DROP TABLE IF EXISTS temp.laid")
    connection.execute(
        "CREATE TEMP TABLE laid AS "
        "SELECT row_number() OVER (ORDER BY latest, new, place) AS id, new, place FROM ("
        f"SELECT max({kind.at}) OVER (ORDER BY was) AS latest, 0 AS new, was AS place FROM temp.old_{table} "
        f"UNION ALL SELECT max({kind.at}) OVER (ORDER BY place), 1, place FROM temp.{ready} "
        "WHERE had IS NULL)"
    )
    connection.execute(
        f"UPDATE temp.old_{table} SET id = laid.id FROM temp.laid WHERE laid.new = 0 AND laid.place = was"
    )
    connection.execute(
        f"UPDATE temp.{ready} SET had = old.id FROM temp.old_{table} AS old WHERE old.was = {ready}.had"
    )
    connection.execute(
        f"UPDATE temp.{ready} SET nth = -1, had = laid.id FROM temp.laid "
        f"WHERE laid.new = 1 AND laid.place = {ready}.place"
    )


def _write(connection: sqlite3.Connection, kind: Kind) -> None:
    table, columns = kind.table, ", ".join(kind.columns)
    if _is_there(connection, f"old_{table}"):
        with _rewritten(connection, table):
            connection.execute(f"DELETE FROM main.{table}")
            connection.execute(
                f"INSERT INTO main.{table} (id, {columns}) "
                f"SELECT id, {columns} FROM temp.old_{table} ORDER BY id"
            )
        connection.execute(f"DROP TABLE temp.old_{table}")
    connection.execute(
        f"INSERT INTO main.{table} (id, {columns}) SELECT had, {columns} FROM temp.in_{table} "
        "WHERE nth = -1 ORDER BY had"
    )
    connection.execute(f"DROP TABLE temp.in_{table}")


def _is_there(connection: sqlite3.Connection, table: str) -> bool:
    query = "SELECT 1 FROM temp.sqlite_master WHERE type = 'table' AND name = ?"
    return connection.execute(query, (table,)).fetchone() is not None


@contextmanager
def _rewritten(connection: sqlite3.Connection, table: str) -> Iterator[None]:
    """Without the triggers that refuse edits, inside the transaction alone: all the rows come back."""
    query = "SELECT name, sql FROM main.sqlite_master WHERE type = 'trigger' AND tbl_name = ?"
    triggers = connection.execute(query, (table,)).fetchall()
    for trigger in triggers:
        connection.execute(f"DROP TRIGGER main.{trigger['name']}")
    yield
    for trigger in triggers:
        connection.execute(trigger["sql"])


def set_info(connection: sqlite3.Connection, name: str, value: str) -> None:
    """What the store knows of itself, also where it knew otherwise."""
    with _rewritten(connection, "store_info"):
        connection.execute("REPLACE INTO store_info (name, value) VALUES (?, ?)", (name, value))


# --- undos name others by their ids ---


def _new_undos(connection: sqlite3.Connection) -> list[sqlite3.Row]:
    query = "SELECT * FROM temp.in_notes WHERE kind = ? ORDER BY number"
    return connection.execute(query, (UNDO,)).fetchall()


Ids = dict[str, dict[int, int]]


def _ids_of_numbers(connection: sqlite3.Connection, column: str) -> Ids:
    return {
        table: dict(
            connection.execute(f"SELECT number, {column} FROM temp.in_{table} WHERE {column} IS NOT NULL")
            .fetchall()
        )
        for table in ("notes", "applied")
    }  # fmt: skip


def _renumbered(details: str, ids: Mapping[str, Mapping[int, int]]) -> str | None:
    """None where one of them is not known."""
    found = read_json(details)
    try:
        return rows.json_text({table: [ids[table][one] for one in found[table]] for table in found})
    except KeyError:
        return None


def _renumber_new_undos(connection: sqlite3.Connection) -> None:
    _renumber(connection, "in_notes", "nth = -1", _ids_of_numbers(connection, "had"))


def _renumber_old_undos(connection: sqlite3.Connection, moved: Mapping[str, bool]) -> None:
    """Those of the records, where what they speak of was laid out anew."""
    if not moved["notes"]:  # they have to be written anew all the same
        _lay_out_anew(connection, KINDS["note"])
    ids: Ids = {}
    for table in ("notes", "applied"):
        query = (
            f"SELECT was, id FROM temp.old_{table}" if moved[table] or table == "notes"
            else f"SELECT id, id FROM main.{table}"
        )  # fmt: skip
        ids[table] = dict(connection.execute(query).fetchall())
    _renumber(connection, "old_notes", "true", ids)


def _renumber(connection: sqlite3.Connection, table: str, which: str, ids: Ids) -> None:
    query = f"SELECT rowid AS at, details FROM temp.{table} WHERE kind = ? AND {which}"
    for undo in connection.execute(query, (UNDO,)).fetchall():
        details = _renumbered(undo["details"], ids)
        connection.execute(f"UPDATE temp.{table} SET details = ? WHERE rowid = ?", (details, undo["at"]))
