"""The daily weather file: CSV whose header names quantity and unit, one row per local day.

Only reads and sets aside what cannot be true; the repairs of the model (M1) are the core's.
"""

from __future__ import annotations

import math
import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.model import WEATHER_FIELDS, WeatherDays
from scheduler.nearest import nearest
from scheduler.weather.files import table
from scheduler.weather.quantities import (
    LIMITS,
    MISSING_NUMBERS,
    MISSING_TEXTS,
    QUANTITIES,
    UNIT_WORDS,
    number,
)

if TYPE_CHECKING:
    from scheduler.model import FloatArray

EARLIEST, LATEST = date(1800, 1, 1), date(2200, 12, 31)  # beyond these a year is mistyped
LONGEST_DAYS = 60_000  # some 160 years, likewise
_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def read(source: Path | str | bytes, *, name: str | None = None) -> WeatherDays:
    """The days of a daily weather file, from its first to its last date; nan where nothing was given.

    source: path (may be gzipped), or the text itself (a str with line breaks).
    name: what to call it in errors and notices; the file's name by default.
    Raises BadInput (`file:line: column: ...`), all complaints at once.
    """
    text, label = table.load(source, name=name)
    sheet = table.whole(table.split(text, label), label)
    columns, notices, complaints = _columns(sheet.header, label)
    if complaints:
        raise table.refuse(complaints)
    if sheet.cut_line is not None:
        notices.append(f"{label}:{sheet.cut_line}: the last line breaks off: set aside")
    if not sheet.rows:
        raise table.refuse([f"{label}: has a header but no rows"])
    uneven = table.uneven(sheet, label)
    if uneven:
        raise table.refuse(uneven)
    lines = [line for line, _ in sheet.rows]
    days, complaints = _dates(sheet, columns.pop("date"), label)
    read_columns: dict[str, list[float]] = {}
    for field, at in columns.items():
        read_columns[field], more = _numbers(sheet, at, field, label)
        complaints += more
    if complaints:
        raise table.refuse(sorted(complaints, key=_line_of))
    return _arrange(days, lines, read_columns, label, notices)


# --- header --------------------------------------------------------------------------------------


def _columns(header: tuple[str, ...], label: str) -> tuple[dict[str, int], list[str], list[str]]:
    """Known columns (name -> position), notices about ignored ones, complaints."""
    known = ("date", *WEATHER_FIELDS)
    columns: dict[str, int] = {}
    complaints: list[str] = []
    strangers: list[str] = []
    for at, title in enumerate(header):
        name = title.casefold()
        if name not in known:
            strangers.append(title)
        elif name in columns:
            complaints.append(f"{label}: column {name} is there twice")
        else:
            columns[name] = at
    if len(header) == 1 and any(mark in header[0] for mark in ";\t|"):
        return {}, [], [f"{label}: the columns must be separated by commas"]
    absent = [name for name in known if name not in columns]
    ignored: list[str] = []
    for title in filter(None, strangers):
        slip = _misspelt(title.casefold(), absent)
        if slip:
            complaints.append(f'{label}: unknown column "{title}" - {slip}')
        else:
            ignored.append(title)
    if "date" not in columns and not any('did you mean "date"' in text for text in complaints):
        complaints.append(f"{label}: needs a column date; found {', '.join(header)}")
    elif not complaints and len(columns) == 1:
        complaints.append(f"{label}: has no weather column; known are {', '.join(WEATHER_FIELDS)}")
    return columns, [_ignored_notice(ignored, absent, label)] if ignored else [], complaints


def _misspelt(title: str, absent: list[str]) -> str | None:
    """What was probably meant by a strange column, if a known one is absent."""
    for field in absent:
        if field == "date":
            if title in {"day", "dates", "time", "datetime", "timestamp", "datum"}:
                return 'did you mean "date"?'
            continue
        stem = field.removesuffix(_suffix(field))
        units = QUANTITIES[stem].units
        if title == stem or title.removeprefix(stem + "_") in units:
            return f'did you mean "{field}" (in {UNIT_WORDS[field]})?'
    close = nearest(title, absent, cutoff=0.8)
    return f'did you mean "{close}"?' if close else None


def _suffix(field: str) -> str:
    """The unit part of a field's name, with its underscore."""
    stem = max((s for s in QUANTITIES if field.startswith(s + "_")), key=len)
    return field[len(stem) :]


def _ignored_notice(ignored: list[str], absent: list[str], label: str) -> str:
    """A left-out column that holds a quantity which the file then lacks is worth a word more."""
    text = f"{label}: columns not used: {', '.join(ignored)}"
    hints = sorted(
        {
            field
            for field in absent
            if field != "date"
            for title in ignored
            if title.casefold().startswith(field.removesuffix(_suffix(field)) + "_")
        }
    )
    return text + (f" (a column {', '.join(hints)} would be read)" if hints else "")


# --- cells ---------------------------------------------------------------------------------------


def _line_of(complaint: str) -> int:
    found = re.search(r":(\d+): ", complaint)
    return int(found[1]) if found else 0


def _dates(sheet: table.Table, at: int, label: str) -> tuple[list[int], list[str]]:
    """Day ordinals (0 where unreadable) and complaints, a date that stands twice among them."""
    days: list[int] = []
    complaints: list[str] = []
    first_line: dict[int, int] = {}
    for line, cells in sheet.rows:
        text = cells[at].strip()
        try:
            day = date.fromisoformat(text) if _ISO_DATE.fullmatch(text) else None
        except ValueError:
            day = None
        if day is None or not EARLIEST <= day <= LATEST:
            complaints.append(f'{label}:{line}: date: "{text}" is not a date - expected like 2026-04-20')
            days.append(0)
            continue
        ordinal = day.toordinal()
        if ordinal in first_line:
            complaints.append(f"{label}:{line}: date: {text} is also on line {first_line[ordinal]}")
        first_line.setdefault(ordinal, line)
        days.append(ordinal)
    if first_line and max(first_line) - min(first_line) > LONGEST_DAYS:
        low, high = min(first_line), max(first_line)
        complaints.append(
            f"{label}: the dates run from {date.fromordinal(low)} (line {first_line[low]}) to "
            f"{date.fromordinal(high)} (line {first_line[high]}): is a year mistyped?"
        )
    return days, complaints


def _numbers(sheet: table.Table, at: int, field: str, label: str) -> tuple[list[float], list[str]]:
    values: list[float] = []
    complaints: list[str] = []
    for line, cells in sheet.rows:
        text = cells[at].strip()
        try:
            values.append(number(text))
        except ValueError:
            values.append(math.nan)
            if text.casefold() not in MISSING_TEXTS:
                mark = " (decimals are written with a point)" if re.fullmatch(r"-?\d+,\d+", text) else ""
                complaints.append(f'{label}:{line}: {field}: "{text}" is not a number{mark}')
    return values, complaints


def _arrange(
    days: list[int], lines: list[int], read_columns: dict[str, list[float]], label: str, notices: list[str]
) -> WeatherDays:
    import numpy as np

    ordinals = np.array(days)
    at_line = np.array(lines)
    first = int(ordinals.min())
    place = ordinals - first
    length = int(place.max()) + 1
    if (np.diff(ordinals) < 0).any():
        notices.append(f"{label}: the rows were not in the order of their dates: sorted")
    if length > len(days):
        gap = int(np.diff(np.sort(ordinals)).max()) - 1
        notices.append(f"{label}: {length - len(days)} days have no row (longest gap {gap} days)")
    arrays: dict[str, Any] = {field: np.full(length, np.nan) for field in WEATHER_FIELDS}
    for field, column in read_columns.items():
        values = np.array(column)
        marked = np.isin(values, list(MISSING_NUMBERS))
        if marked.any():
            found = ", ".join(f"{mark:g}" for mark in sorted(set(values[marked].tolist())))
            notices.append(f"{label}: {field}: {_count(int(marked.sum()))} missing (marked {found})")
        low, high = LIMITS[field]
        with np.errstate(invalid="ignore"):
            absurd = ~marked & ~np.isnan(values) & ~(np.isfinite(values) & (values >= low) & (values <= high))
        if absurd.any():
            where = int(np.flatnonzero(absurd)[0])
            notices.append(
                f"{label}: {field}: {_count(int(absurd.sum()))} impossible, counted as missing "
                f"(first on line {at_line[where]}: {values[where]:g} {UNIT_WORDS[field]})"
            )
        values[marked | absurd] = np.nan
        if field.startswith("rh_") and _looks_like_fractions(values):
            notices.append(f"{label}: {field}: no value above 1: fractions? The column is in percent")
        arrays[field][place] = values
    return WeatherDays(first=date.fromordinal(first), **arrays, notices=tuple(notices))


def _looks_like_fractions(values: FloatArray) -> bool:
    import numpy as np

    known = values[~np.isnan(values)]
    return len(known) >= 10 and float(known.max()) <= 1.0 and float(known.max()) > 0


def _count(n: int) -> str:
    return "1 value" if n == 1 else f"{n} values"
