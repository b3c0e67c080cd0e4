"""A facts file, judged line by line and laid ready beside the records, which are not touched yet."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from scheduler.errors import BadInput
from scheduler.nearest import did_you_mean
from scheduler.store import rows
from scheduler.store.exchange.content import INSIDE
from scheduler.store.exchange.judge import Unfit, day, moment, number, optional, parsed, text, whole
from scheduler.store.exchange.kinds import FORMAT, KINDS, LONGEST_LINE, UNITS, VERSION, Kind

AT_ONCE = 500
MOST_COMPLAINTS = 20
NEWER = "a newer rowwater may have written it: upgrade this one"
FAST_CLOCK = timedelta(minutes=1)
HAPPENED = frozenset(("applied", "note", "opening", "heartbeat", "closing"))
"""Only a wrong clock puts these on record ahead of time; nothing would open until it has passed."""


@dataclass(frozen=True, slots=True)
class Header:
    garden: str
    latitude: float
    longitude: float
    known_from: str | None = None
    replaced_at: str | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    """As the file says; kinds that it does not count may be left out."""


class Incoming(NamedTuple):
    """A file whose facts lie ready in the temporary tables `in_TABLE`."""

    header: Header
    counts: Mapping[str, int]


def lay_ready(
    connection: sqlite3.Connection,
    lines: Iterable[bytes],
    name: str,
    now: datetime,
    accept: Callable[[Header], None],
) -> Incoming:
    """BadInput with a complaint for each wrong line (20 at most): `name:line: key: what was expected`.

    accept: raises for a file that is not to be read on.
    """
    return _Reading(connection, name, now).whole(iter(lines), accept)


def judged(line: bytes) -> tuple[str, dict[str, Any]]:
    """Kind and row of a line that holds a fact. Unfit for any other."""
    try:
        found = parsed(line)
    except Unfit as problem:
        raise Unfit(f"expected {problem}") from None
    kind_name = found.pop("fact", None)
    if kind_name not in KINDS:
        raise NotKnown(f"fact: {_unknown(kind_name, KINDS)}")
    row = _row(KINDS[kind_name], found)
    try:
        if kind_name in INSIDE:
            INSIDE[kind_name](row)
    except Unfit as problem:
        raise Unfit(f"expected {problem}") from None
    return kind_name, _packed(row)


class NotKnown(Unfit):
    """A word that this version does not know."""


class _Reading:
    def __init__(self, connection: sqlite3.Connection, name: str, now: datetime) -> None:
        self._connection = connection
        self._name = name
        self._latest = rows.utc_text(now + FAST_CLOCK)
        self._complaints: list[str] = []
        self._hint = "nothing was taken in"
        self._waiting: dict[str, list[dict[str, Any]]] = {kind: [] for kind in KINDS}
        self.counts = dict.fromkeys(KINDS, 0)

    def whole(self, lines: Iterator[bytes], accept: Callable[[Header], None]) -> Incoming:
        header = self._header(next(lines, b""))
        accept(header)
        for kind in KINDS.values():
            columns = ", ".join(kind.columns)
            self._connection.execute(f"DROP TABLE IF EXISTS temp.in_{kind.table}")
            self._connection.execute(
                f"CREATE TEMP TABLE in_{kind.table} (place INTEGER PRIMARY KEY, number INTEGER, "
                f"had INTEGER, nth INTEGER DEFAULT 0, {columns})"
            )
        for place, line in enumerate(lines, 2):
            self._take(place, line)
        for kind_name in KINDS:
            self._put(kind_name)
        self._across(header)
        self._refuse_if_any()
        return Incoming(header, self.counts)

    # --- a line ---

    def _header(self, line: bytes) -> Header:
        try:
            found = parsed(line)
            if found.get("format") != FORMAT:
                raise Unfit(f'a header with "format": "{FORMAT}"')
        except Unfit as problem:
            raise BadInput(
                f"{self._name}:1: expected {problem}", hint="rowwater facts --export FILE writes such a file"
            ) from None
        if found.get("version") != VERSION:
            raise BadInput(
                f"{self._name}:1: version: expected {VERSION}, found {_shown(found.get('version'))}",
                hint=NEWER,
            )
        try:
            return _read_header(found)
        except Unfit as problem:
            raise BadInput(f"{self._name}:1: {problem}") from None

    def _take(self, place: int, line: bytes) -> None:
        try:
            if len(line) > LONGEST_LINE:
                raise Unfit(f"expected a line of at most {LONGEST_LINE} bytes")
            kind_name, row = judged(line)
            kind = KINDS[kind_name]
            if kind_name in HAPPENED and row[kind.at] > self._latest:
                raise Unfit(
                    f"{kind.at}: expected a moment that is past (is the clock of this machine right?)"
                )
        except Unfit as problem:
            if isinstance(problem, NotKnown):
                self._hint = f"nothing was taken in; {NEWER}"
            self._complain(place, str(problem))
            return
        self.counts[kind_name] += 1
        self._waiting[kind_name].append({"place": place, **row})
        if len(self._waiting[kind_name]) >= AT_ONCE:
            self._put(kind_name)

    def _put(self, kind_name: str) -> None:
        waiting, self._waiting[kind_name] = self._waiting[kind_name], []
        rows.insert(self._connection, f"temp.in_{KINDS[kind_name].table}", waiting)

    # --- what no line can know ---

    def _across(self, header: Header) -> None:
        for kind_name, promised in header.counts.items():
            if (found := self.counts[kind_name]) != promised and not self._complaints:
                here = f"{found} of {promised} lines of kind {kind_name} are here: was the file cut short?"
                self._complain(1, f"facts: {here}")
        for query, what in ACROSS:
            for place, words in self._connection.execute(query).fetchall():
                self._complain(place, what.format(words))

    def _complain(self, place: int, problem: str) -> None:
        self._complaints.append(f"{self._name}:{place}: {problem}")
        if len(self._complaints) >= MOST_COMPLAINTS:
            self._refuse_if_any()

    def _refuse_if_any(self) -> None:
        if self._complaints:
            raise BadInput("\n".join(self._complaints), hint=self._hint)


_TWICE = "SELECT max(place), {0} FROM temp.in_{1} WHERE {0} IS NOT NULL GROUP BY {2} HAVING count(*) > 1"
_NAMED = """
SELECT undo.place, one.value FROM temp.in_notes AS undo, json_each(undo.details, '$.{0}') AS one
WHERE undo.kind = 'undo' AND NOT EXISTS (
    SELECT 1 FROM temp.in_{0} AS named WHERE named.number = one.value {1}
)
"""
ACROSS = (
    (_TWICE.format("number", "notes", "number"), "number: expected each number once, {} stands twice"),
    (_TWICE.format("number", "applied", "number"), "number: expected each number once, {} stands twice"),
    (_TWICE.format("opening", "openings", "opening, zone"), "opening: expected once for a zone, {} is twice"),
    (
        _TWICE.format("pulse", "openings", "day, zone, ifnull(pulse, place)"),
        "pulse: expected a run that was opened once, {} of that zone and day was twice",
    ),
    (_TWICE.format("opening", "closings", "opening"), "opening: expected one closing, {} has two"),
    (_NAMED.format("notes", "AND named.number < undo.number"), "details: no earlier note has the number {}"),
    (_NAMED.format("applied", ""), "details: no line of kind applied has the number {}"),
)


def _read_header(found: Mapping[str, Any]) -> Header:
    units = found.get("units", UNITS)
    if not isinstance(units, dict):
        raise Unfit("units: expected an object in braces")
    for name, unit in UNITS.items():
        if units.get(name, unit) != unit:
            raise Unfit(f'units: expected "{name}": "{unit}"')
    counts = found.get("facts")
    if counts is not None and not (isinstance(counts, dict) and set(counts) <= set(KINDS)):
        raise Unfit("facts: expected the number of lines of each kind")
    return Header(
        garden=_value(found, "garden", text),
        latitude=_value(found, "latitude", number),
        longitude=_value(found, "longitude", number),
        known_from=_value(found, "known_from", optional(day)),
        replaced_at=_value(found, "replaced_at", optional(moment)),
        counts={kind: whole(many) for kind, many in (counts or {}).items()},
    )


def _row(kind: Kind, found: Mapping[str, Any]) -> dict[str, Any]:
    known = (*kind.keys, *(("number",) if kind.numbered else ()))
    for key in found:
        if key not in known:
            raise NotKnown(f"{_shown(key)}: {_unknown(key, known)}")
    number = {"number": _value(found, "number", whole)} if kind.numbered else {}
    return number | {key: _value(found, key, check) for key, check in kind.keys.items()}


DEFAULTS: Mapping[str, Any] = {"measured": False, "replaces_day": False, "details": {}, "working": {}}


def _value(found: Mapping[str, Any], key: str, check: Any) -> Any:
    value = found.get(key, DEFAULTS.get(key))
    try:
        return check(value)
    except Unfit as problem:
        there = _shown(value) if key in found else "nothing"
        raise Unfit(f"{key}: expected {problem}, found {there}") from None


def _packed(row: dict[str, Any]) -> dict[str, Any]:
    for name in ("page", "working"):
        if name in row:
            row[name] = rows.packed(row[name])
    if "details" in row:
        row["details"] = rows.json_text(row["details"])
    return row


def _unknown(word: object, known: Iterable[str]) -> str:
    known = tuple(known)
    listed = f"known are {', '.join(known)}"
    return f"{_shown(word)} is not known - {did_you_mean(str(word), known, listed)}"


def _shown(value: object) -> str:
    said = json.dumps(value, default=str)
    return said if len(said) <= 60 else f"{said[:57]}..."
