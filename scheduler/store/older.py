"""Records older than what was done since: an old copy, a restored backup, a new database for a lost one.

What the trace has of water that they lack is booked, as uncertain. Nothing planned is to run by them until a
person says that they are right (`give_word`), or the day after that on which it was noticed is over.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.store import openings, rows, trace
from scheduler.store.owner import OWNERS, Owner

if TYPE_CHECKING:
    from scheduler.store.store import Store

OLDER, RIGHT, COPIED = "older ", "right ", "copied "
"""How the names begin, in store_info, of what was noticed, what a person said, and the mark of a copy."""
NAMED = 4  # runs, in the words
WAITS = "the records are older than what was done since: rowwater day --records-are-right"


@dataclass(frozen=True, slots=True)
class _Lacking:
    """What the trace knows and the database does not, by opening; `why`: names that stay the same."""

    openings: Mapping[str, Sequence[rows.Row]]
    closings: Mapping[str, tuple[rows.Row, Sequence[rows.Row]]]
    why: tuple[str, ...]


def look(store: Store, page: Mapping[str, Any] | None, *, day: date, now: datetime) -> None:
    """Compares the records with the trace, and with today.json (`page`); puts what is found on record.

    Harmless to repeat.  day: the local date.  CouldNot.
    """
    lines = trace.read(store.path.parent)  # before the database: it is the later one of the two
    with store.reading() as connection:
        if not _lacking(connection, lines, page).why:
            return
    with store.writing() as connection:
        lacking = _lacking(connection, lines, page)  # another process may have been faster
        newest = openings.newest_moment(connection)
        _add_openings(connection, lacking, now)
        runs = _add_closings(connection, lacking)
        found = {
            "noticed": rows.utc_text(now),
            "day": rows.day_text(max([day, *(date.fromisoformat(run["day"]) for run in runs)])),
            "newest": None if newest is None else rows.utc_text(newest),
            "runs": [[run["zone"], run["day"], run["minutes"]] for run in runs if run["minutes"] > 0],
        }
        for k, why in enumerate(lacking.why):
            told = found if k == 0 else found | {"runs": []}
            _set(connection, OLDER + why, json.dumps(told))


def look_if_possible(store: Store, page: Mapping[str, Any] | None, *, day: date, now: datetime) -> None:
    """For who must not fail for it: a disk that refuses is told by whoever writes next."""
    try:
        look(store, page, day=day, now=now)
    except CouldNot:
        return


def told(store: Store, day: date) -> str | None:
    """What a person must hear of it on this day; None where all is well, or was said to be."""
    with store.reading() as connection:
        pending = [read_json(value) for value in _pending(connection).values()]
    days = [date.fromisoformat(one["day"]) for one in pending]
    if not days or day > (last := max(days) + timedelta(days=1)):
        return None
    moments = [datetime.fromisoformat(one["newest"]) for one in pending if one["newest"]]
    since = f"{min(moments).astimezone(UTC):%Y-%m-%d %H:%M} UTC" if moments else "they began"
    lost = _runs_said([run for one in pending for run in one["runs"]])
    return (
        "the records are older than what was done: a copy, a backup or a new database stands in their place. "
        f"{lost}Missing: what was noted after {since}. Nothing planned runs through {last:%a %Y-%m-%d} "
        "unless you say: rowwater day --records-are-right"
    )


def give_word(store: Store, now: datetime) -> None:
    """A person says that the records are right as they are now."""
    with store.writing() as connection:
        for name in _pending(connection):
            _set(connection, RIGHT + name.removeprefix(OLDER), rows.utc_text(now))
        _set(connection, f"{RIGHT}replaced", rows.utc_text(now))


def _runs_said(runs: Sequence[Sequence[Any]]) -> str:
    if not runs:
        return ""
    named = ", ".join(f"{zone} {minutes:.0f} min on {day}" for zone, day, minutes in runs[-NAMED:])
    more = f" and {len(runs) - NAMED} runs more" if len(runs) > NAMED else ""
    return f"Booked as uncertain: {named}{more}. "


# --- what is lacking ---


def _lacking(
    connection: sqlite3.Connection, lines: Iterable[Mapping[str, Any]], page: Mapping[str, Any] | None
) -> _Lacking:
    owners = [Owner.read(value) for (value,) in connection.execute(OWNERS)]
    opened, closed = {}, {}
    for line in lines:
        if _of_another(line.get("owner"), owners):
            continue
        if line.get("openings"):
            opened[line["openings"][0]["opening"]] = line["openings"]
        elif line.get("closing"):
            closed[line["closing"]["opening"]] = (line["closing"], line["applied"])
    here = [_known(connection, table, {*opened, *closed}) for table in ("openings", "closings")]
    lost = {uid: found for uid, found in opened.items() if uid not in here[0]}
    unclosed = {uid: found for uid, found in closed.items() if uid not in here[1]}
    why = [f"opening {uid}" for uid in [*lost, *unclosed][:1]]
    why += [*_newer_page(connection, page, owners), *_copies(connection)]
    known = {name for (name,) in connection.execute("SELECT name FROM store_info")}
    return _Lacking(lost, unclosed, tuple(one for one in why if OLDER + one not in known))


def _of_another(owner: Mapping[str, Any] | None, owners: Sequence[Owner]) -> bool:
    return bool(owner and owners) and not any(Owner(**owner).is_same(one) for one in owners)  # type: ignore[arg-type]


def _known(connection: sqlite3.Connection, table: str, uids: Iterable[str]) -> set[str]:
    query = f"SELECT opening FROM {table} WHERE opening IN (SELECT value FROM json_each(?))"
    return {uid for (uid,) in connection.execute(query, (json.dumps(sorted(uids)),))}


def _newer_page(
    connection: sqlite3.Connection, page: Mapping[str, Any] | None, owners: Sequence[Owner]
) -> list[str]:
    """today.json is written when what it shows is on record, and says how many facts were."""
    if page is None or (owners and page.get("garden") not in [owner.name for owner in owners]):
        return []
    counted = page.get("facts")
    fewer = isinstance(counted, int) and openings.count(connection) < counted
    return [f"facts {counted}"] if fewer else []


def _copies(connection: sqlite3.Connection) -> list[str]:
    query = f"SELECT name FROM store_info WHERE name GLOB '{COPIED}*'"
    return [name for (name,) in connection.execute(query)]


# --- into the books ---


def _add_openings(connection: sqlite3.Connection, lacking: _Lacking, now: datetime) -> None:
    """Those that nobody closed are settled by whoever drives the valves, as after a kill."""
    for uid, found in lacking.openings.items():
        _set(connection, openings.BEATS_LOST + uid, rows.utc_text(now))
        rows.insert(connection, "openings", _as_new(connection, found))


def _add_closings(connection: sqlite3.Connection, lacking: _Lacking) -> list[rows.Row]:
    """The water is known as well as it was, and yet what became of it afterwards is not."""
    water = []
    for closing, applied in lacking.closings.values():
        rows.insert(connection, "closings", [closing])
        water += [
            row | {"least_minutes": 0.0, "most_minutes": max(row["minutes"], row["most_minutes"] or 0.0)}
            for row in applied
        ]
    rows.insert(connection, "applied", water)
    return water


def _as_new(connection: sqlite3.Connection, found: Sequence[rows.Row]) -> list[rows.Row]:
    """A run that was opened once more by the older records was water all the same: booked as by hand."""
    query = "SELECT 1 FROM openings WHERE (day, zone, pulse) = (?, ?, ?)"
    taken = any(
        connection.execute(query, (row["day"], row["zone"], row["pulse"])).fetchone() for row in found
    )
    return [row | {"pulse": None} for row in found] if taken else list(found)


# --- in store_info ---


def _pending(connection: sqlite3.Connection) -> dict[str, str]:
    known = dict(connection.execute("SELECT name, value FROM store_info").fetchall())
    return {
        name: value
        for name, value in known.items()
        if name.startswith(OLDER) and RIGHT + name.removeprefix(OLDER) not in known
    }


def _set(connection: sqlite3.Connection, name: str, value: str) -> None:
    connection.execute("INSERT OR IGNORE INTO store_info VALUES (?, ?)", (name, value))
