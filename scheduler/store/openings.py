"""The ledger's rows: openings before they happen, heartbeats while they last, closings with their water."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from scheduler.errors import CouldNot
from scheduler.model import Applied, Opening, Share, Unsettled
from scheduler.store import rows, trace
from scheduler.store.owner import OWNERS, Owner
from scheduler.store.store import Store
from scheduler.store.withdrawn import withdrawn

Identity = tuple[date, str, int]
"""(local date, zone, pulse): one run, which is opened at most once."""


class AlreadyOpened(CouldNot):
    """The run is in the books already, whoever wrote it."""


def open_in_books(store: Store, opening: Opening) -> None:
    """On disk when this returns. AlreadyOpened for a run that was written down before; else CouldNot."""
    common = {
        "opening": opening.uid,
        "valve": opening.valve,
        "seconds": rows.finite("seconds", opening.seconds),
        "recorded_at": rows.utc_text(opening.recorded_at),
        "boot": opening.boot,
        "monotonic_s": rows.finite("monotonic_s", opening.monotonic_s),
    }
    new = [common | _share_row(share) for share in opening.shares]
    try:
        with store.writing() as connection:
            rows.insert(connection, "openings", new)
            owner = _owner(connection)
    except sqlite3.IntegrityError as error:
        names = ", ".join(f"{share.zone} pulse {share.pulse}" for share in opening.shares)
        raise AlreadyOpened(f"{names} of {opening.shares[0].day} was opened before") from error
    trace.add(store.path.parent, {"owner": owner, "openings": new})


def _owner(connection: sqlite3.Connection) -> dict[str, Any] | None:
    """Whose records these are, as the trace has it."""
    known = connection.execute(OWNERS).fetchall()
    return asdict(Owner.read(known[-1]["value"])) if known else None


def _share_row(share: Share) -> dict[str, Any]:
    numbers = ("minutes", "flow_lpm", "net_per_minute", "gross_per_minute", "fill_minutes")
    return {
        "zone": share.zone,
        "day": rows.day_text(share.day),
        "pulse": share.pulse,
        **{name: rows.finite(name, getattr(share, name)) for name in numbers},
    }


def beat(store: Store, open_seconds: Iterable[tuple[str, float]], at: datetime) -> None:
    """One heartbeat: (uid, seconds open so far) of every opening in force."""
    text = rows.utc_text(at)
    new = [
        {"opening": uid, "at": text, "open_seconds": rows.finite("open_seconds", seconds)}
        for uid, seconds in open_seconds
    ]
    if new:
        with store.writing() as connection:
            rows.insert(connection, "heartbeats", new)


def close_in_books(store: Store, uid: str | None, records: Sequence[Applied], at: datetime) -> None:
    """The water of an opening and that it is closed, in one transaction; a second call changes nothing.

    uid: None for runs that were skipped before anything was written.
    """
    with store.writing() as connection:
        if uid is not None:
            if connection.execute("SELECT 1 FROM closings WHERE opening = ?", (uid,)).fetchone():
                return
            rows.insert(connection, "closings", [{"opening": uid, "recorded_at": rows.utc_text(at)}])
        applied = [rows.applied_row(record) for record in records]
        rows.insert(connection, "applied", applied)
        owner = _owner(connection)
    if uid is not None:
        closing = {"opening": uid, "recorded_at": rows.utc_text(at)}
        trace.add(store.path.parent, {"owner": owner, "closing": closing, "applied": applied})


def unsettled(store: Store) -> list[Unsettled]:
    """Openings without a closing, in the order they were written."""
    with store.reading() as connection:
        by_uid: dict[str, list[sqlite3.Row]] = {}
        for row in connection.execute(_UNSETTLED):
            by_uid.setdefault(row["opening"], []).append(row)
        out = []
        for uid, shares in by_uid.items():
            last = connection.execute(_LAST_BEAT, (uid,)).fetchone()
            out.append(
                Unsettled(
                    _opening(uid, shares),
                    None if last is None else last["open_seconds"],
                    None if last is None else datetime.fromisoformat(last["at"]),
                    connection.execute(_BEATS_LOST, (BEATS_LOST + uid,)).fetchone() is not None,
                )
            )
    return out


BEATS_LOST = "beats lost "
"""How a name in store_info begins, before an opening: its heartbeats went with another database."""
_BEATS_LOST = "SELECT 1 FROM store_info WHERE name = ?"
_UNSETTLED = "SELECT * FROM openings WHERE opening NOT IN (SELECT opening FROM closings) ORDER BY id"
_LAST_BEAT = "SELECT open_seconds, at FROM heartbeats WHERE opening = ? ORDER BY id DESC LIMIT 1"


def _opening(uid: str, shares: Sequence[sqlite3.Row]) -> Opening:
    first = shares[0]
    return Opening(
        uid=uid,
        valve=first["valve"],
        seconds=first["seconds"],
        shares=tuple(
            Share(
                row["zone"], date.fromisoformat(row["day"]), row["pulse"], row["minutes"], row["flow_lpm"],
                row["net_per_minute"], row["gross_per_minute"], row["fill_minutes"],
            )
            for row in shares
        ),
        recorded_at=datetime.fromisoformat(first["recorded_at"]),
        boot=first["boot"],
        monotonic_s=first["monotonic_s"],
    )  # fmt: skip


def tried(store: Store, first: date, last: date) -> set[Identity]:
    """Every planned run of the days that was opened, or is answered otherwise."""
    days = (rows.day_text(first), rows.day_text(last))
    with store.reading() as connection:
        gone = withdrawn(connection).applied
        answered = connection.execute(f"SELECT id, {_PLANNED.format('applied')}", days).fetchall()
        opened = connection.execute(f"SELECT {_PLANNED.format('openings')}", days).fetchall()
    found = [*opened, *(row for row in answered if row["id"] not in gone)]
    return {(date.fromisoformat(row["day"]), row["zone"], row["pulse"]) for row in found}


_PLANNED = "day, zone, pulse FROM {} WHERE day BETWEEN ? AND ? AND pulse IS NOT NULL"


def newest_record(store: Store) -> datetime | None:
    """The latest moment that any record names: a clock before it cannot be right."""
    with store.reading() as connection:
        return newest_moment(connection)


def newest_moment(connection: sqlite3.Connection) -> datetime | None:
    """As `newest_record`."""
    # a plan may be made ahead for a later date, at the time it would have been made then: it does not count
    latest = [
        connection.execute(f"SELECT max({column}) FROM {table}").fetchone()[0]
        for table, column in (
            ("openings", "recorded_at"),
            ("heartbeats", "at"),
            ("closings", "recorded_at"),
            ("applied", "recorded_at"),
            ("notes", "recorded_at"),
        )
    ]
    return max((datetime.fromisoformat(text) for text in latest if text is not None), default=None)


def facts(store: Store) -> int:
    """As `count`."""
    with store.reading() as connection:
        return count(connection)


def count(connection: sqlite3.Connection) -> int:
    """How many facts there are but for weather: no fact is ever taken away, so it only grows."""
    tables = ("openings", "closings", "applied", "notes", "plans")
    return sum(
        connection.execute(f"SELECT ifnull(max(id), 0) FROM {table}").fetchone()[0] for table in tables
    )
