"""Any weather station's CSV, daily or within the day, through the `columns` map of garden.yaml.

A live record is read for ever, so single bad cells and rows are set aside with a notice; only a column that
makes no sense as a whole (a wrong unit, decimal mark or date order) refuses the file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.errors import BadInput
from scheduler.model import EARLIEST, LATEST
from scheduler.weather.files import layout as layouts
from scheduler.weather.files import stamps as stamping
from scheduler.weather.files import table
from scheduler.weather.files.layout import Layout, plausible
from scheduler.weather.files.subdaily import Column, gather, step_of
from scheduler.weather.localdays import HOUR, zone_of
from scheduler.weather.quantities import MISSING_NUMBERS, MISSING_TEXTS, number, possible

BAD_SHARE = 0.1  # of a column's filled cells: above it the map is wrong, not the cells
AHEAD_SECONDS = 600  # a station's clock may be a little ahead
DAILY_STEP_SECONDS = 20 * HOUR
LONGEST_SECONDS = 150 * 366 * 24 * HOUR


@dataclass(frozen=True, slots=True)
class StationDays:
    """Daily values by local day and field (only known ones), and the rain since the last midnight."""

    days: Mapping[date, Mapping[str, float]]
    rain_so_far: tuple[date, float] | None = None
    notices: tuple[str, ...] = ()


def check(settings: Mapping[str, Any]) -> list[str]:
    """Complaints about the settings of a file source, without reading the file."""
    return layouts.check(settings)


def read(
    source: Path | str | bytes,
    settings: Mapping[str, Any],
    *,
    zone: ZoneInfo,
    name: str | None = None,
    now: datetime | None = None,
) -> StationDays:
    """A station's record as values of the site's local days, SI.

    settings: `columns` and the optional keys of a file source. zone: the site's.
    now: rows within the day only count for days that are over, and rows later than this are set aside.
    Raises BadInput where the file or its map makes no sense.
    """
    made = layouts.layout(settings)
    text, label = table.load(source, name=name, encoding=made.encoding)
    header_line, delimiter = layouts.find_header(text, made, label)
    sheet = table.split(text, label, delimiter=delimiter, header_line=header_line)
    if not sheet.rows:
        raise BadInput(f"{label}: has a header but no rows")
    notices = []
    if sheet.cut_line is not None:
        notices.append(f"{label}:{sheet.cut_line}: the last line breaks off: set aside")
    if sheet.left_out:
        notices.append(
            f"{label}: {sheet.left_out:,} lines in its middle are not read: "
            f"it has more than {table.MOST_LINES:,}"
        )
    at, places = _places(made, sheet.header, label)
    stamps = _stamps(made, sheet, at, label, notices)
    columns = [
        Column(w.quantity, w.unit, values)
        for w, values in zip(made.wanted, _values(made, sheet, places, label, notices), strict=True)
    ]
    if not any(isinstance(stamp, datetime) for stamp in stamps):
        days = _daily(sheet, stamps, columns, made, label, notices)
        return StationDays(_with_height(days, made), None, tuple(notices))
    return _within_days(sheet, stamps, columns, made, zone, now, label, notices)


# --- the table -----------------------------------------------------------------------------------


def _places(made: Layout, header: Sequence[str], label: str) -> tuple[list[int], list[int]]:
    """Positions of the date (and time) column, and of each wanted one; all complaints at once."""
    complaints: list[str] = []

    def look(find: str | None, key: str) -> int:
        try:
            return layouts.date_position(made, header) if find is None else layouts.position(find, header)
        except ValueError as problem:
            complaints.append(f"{label}: columns.{key}: {problem}")
            return 0

    at = [look(None, "date")]
    if made.time_title is not None:
        clock = look(made.time_title, "time")
        at = [clock] if made.date_title is None else [*at, clock]
    places = [look(w.title, w.key) for w in made.wanted]
    if complaints:
        raise table.refuse(complaints)
    return at, places


def _cell(cells: Sequence[str], at: int) -> str:
    return cells[at].strip() if at < len(cells) else ""


def _stamps(
    made: Layout, sheet: table.Table, at: list[int], label: str, notices: list[str]
) -> list[stamping.Stamp | None]:
    texts = [" ".join(filter(None, (_cell(cells, i) for i in at))) for _, cells in sheet.rows]
    stamps = stamping.parse_all(texts, made.date_format, label)
    bad = [
        i for i, stamp in enumerate(stamps) if stamp is None or not EARLIEST.year <= stamp.year <= LATEST.year
    ]
    if bad:
        line = sheet.rows[bad[0]][0]
        text = f'{label}:{line}: date: "{texts[bad[0]]}" is not a date like the others or like date_format'
        if len(bad) > max(1, BAD_SHARE * len(texts)):
            raise BadInput(f"{text} ({len(bad)} of {len(texts)} rows)")
        notices.append(f"{text}: {len(bad)} row{'s' * (len(bad) > 1)} set aside")
        for i in bad:
            stamps[i] = None
    return stamps


def _values(
    made: Layout, sheet: table.Table, places: list[int], label: str, notices: list[str]
) -> list[list[float]]:
    """SI values per wanted column; nan where missing, unreadable or impossible."""
    decimal = made.decimal
    if decimal is None:
        texts = [_cell(cells, at) for _, cells in sheet.rows for at in places]
        decimal = layouts.decimal_mark([t for t in texts if t.casefold() not in made.missing], label)
    complaints: list[str] = []
    columns = []
    for wanted, at in zip(made.wanted, places, strict=True):
        values: list[float] = []
        bad: list[tuple[int, str]] = []
        filled = 0
        for line, cells in sheet.rows:
            text = _cell(cells, at)
            value = _number(text, decimal, made.missing)
            filled += value is None or not math.isnan(value)
            if value is None or not (math.isnan(value) or plausible(wanted, value)):
                bad.append((line, text))
                value = math.nan
            values.append(wanted.unit.si(value))
        columns.append(values)
        if not bad:
            continue
        line, text = bad[0]
        told = f'{label}:{line}: {wanted.title}: "{text}" is not a possible {wanted.key}'
        if len(bad) > max(2, BAD_SHARE * filled):
            complaints.append(f"{told} ({len(bad)} of {filled} cells): are unit and decimal mark right?")
        else:
            notices.append(f"{told}: {len(bad)} cell{'s' * (len(bad) > 1)} counted as missing")
    if complaints:
        raise table.refuse(complaints)
    return columns


def _number(text: str, decimal: str, missing: frozenset[str]) -> float | None:
    """A cell's number, nan where it is marked as missing, None where it is neither."""
    folded = text.casefold()
    if folded in MISSING_TEXTS or folded in missing:
        return math.nan
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    try:
        value = number(text)
    except ValueError:
        return None
    return math.nan if value in MISSING_NUMBERS or f"{value:g}" in missing else value


def _with_height(days: Mapping[date, dict[str, float]], made: Layout) -> dict[date, dict[str, float]]:
    """Impossible sums out, and the station's wind height beside each wind."""
    result: dict[date, dict[str, float]] = {}
    for day, fields in sorted(days.items()):
        kept = {name: value for name, value in fields.items() if possible(name, value)}
        if made.wind_height_m is not None and "wind_m_s" in kept:
            kept.setdefault("wind_height_m", made.wind_height_m)
        if kept:
            result[day] = kept
    return result


# --- one row a day -------------------------------------------------------------------------------


def _daily(
    sheet: table.Table,
    stamps: Sequence[stamping.Stamp | None],
    columns: Sequence[Column],
    made: Layout,
    label: str,
    notices: list[str],
) -> dict[date, dict[str, float]]:
    within = [w.key for w in made.wanted if w.quantity.gather in ("spread", "since reset")]
    if within:
        raise BadInput(f"{label}: {', '.join(within)}: needs rows within the day; here is one row a day")
    days: dict[date, dict[str, float]] = {}
    line_of: dict[date, int] = {}
    complaints: list[str] = []
    repeats = 0
    for i, ((line, _), stamp) in enumerate(zip(sheet.rows, stamps, strict=True)):
        if stamp is None:
            continue
        day = stamp.date() if isinstance(stamp, datetime) else stamp
        fields = {
            c.quantity.field: c.values[i] * (86_400 if c.unit.power else 1)
            for c in columns
            if not math.isnan(c.values[i])
        }
        if day in line_of and days[day] != fields:
            complaints.append(f"{label}:{line}: date: {day} is also on line {line_of[day]}, but different")
        repeats += day in line_of
        line_of.setdefault(day, line)
        days[day] = fields
    if complaints:
        hint = 'rows within the day? Name their time column too - for example time: "Time"'
        raise table.refuse(complaints, hint=hint if made.time_title is None else None)
    if repeats:
        notices.append(f"{label}: {repeats} row{'s' * (repeats > 1)} there twice, counted once")
    return days


# --- rows within the day -------------------------------------------------------------------------


def _within_days(
    sheet: table.Table,
    stamps: Sequence[stamping.Stamp | None],
    columns: Sequence[Column],
    made: Layout,
    zone: ZoneInfo,
    now: datetime | None,
    label: str,
    notices: list[str],
) -> StationDays:
    clock = zone_of(made.time_zone) if made.time_zone else zone
    row_at = _in_order(stamps, clock)
    limit = now.timestamp() if now is not None else math.inf
    early = [at for at in row_at if at > limit + AHEAD_SECONDS]
    if early:
        notices.append(
            f"{label}: {len(early)} row{'s' * (len(early) > 1)} later than now set aside: "
            "is the station's clock right?"
        )
    lost = sum(stamp is not None for stamp in stamps) - len(row_at)
    if lost:
        notices.append(f"{label}: {lost} row{'s' * (lost > 1)} repeat a time, the last one counts")
    times = [at for at in row_at if at <= limit + AHEAD_SECONDS]
    if len(times) > 1 and times[-1] - times[0] > LONGEST_SECONDS:
        raise BadInput(f"{label}: the times span more than a lifetime: is a year mistyped?")
    columns = [replace(c, values=[c.values[row_at[at]] for at in times]) for c in columns]
    if (step_of(times) or 0) >= DAILY_STEP_SECONDS:
        days = _daily(
            table.Table(sheet.header, tuple(sheet.rows[row_at[at]] for at in times)),
            [datetime.fromtimestamp(at, UTC).astimezone(zone) for at in times],
            columns, made, label, notices,
        )  # fmt: skip
        return StationDays(_with_height(days, made), None, tuple(notices))
    found = gather(times, columns, zone, label=made.label, now=None if now is None else limit)
    if found.thin:
        notices.append(f"{label}: less than 75 % of the rows on {_listed(found.thin)}: counted as missing")
    if found.patchy:
        notices.append(f"{label}: some rows missing on {_listed(found.patchy)}")
    return StationDays(_with_height(found.days, made), found.rain_so_far, tuple(notices))


def _in_order(stamps: Sequence[stamping.Stamp | None], clock: ZoneInfo) -> dict[int, int]:
    """UTC second -> row, rising; a wall time seen again in an hour that the clock repeats is the second."""
    given = [(i, stamp) for i, stamp in enumerate(stamps) if stamp is not None]
    if len(given) > 1 and given[0][1].isoformat() > given[-1][1].isoformat():
        given.reverse()  # newest first
    row_at: dict[int, int] = {}
    seen: set[datetime] = set()
    for row, stamp in given:
        wall = stamp if isinstance(stamp, datetime) else datetime.combine(stamp, time())
        if wall.tzinfo is None:
            again = wall in seen
            seen.add(wall)
            wall = wall.replace(tzinfo=clock, fold=int(again))
        row_at[int(wall.timestamp())] = row
    return dict(sorted(row_at.items()))


def _listed(days: Sequence[date]) -> str:
    shown = ", ".join(day.isoformat() for day in days[-5:])
    return shown if len(days) <= 5 else f"{len(days)} days (latest {shown})"
