"""The forecast file: the daily weather file's columns, and in front the date each row was issued on."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from pathlib import Path

from scheduler.model import WeatherDays
from scheduler.weather.files import daily as daily_file
from scheduler.weather.files import table

_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def read(source: Path | str | bytes, *, name: str | None = None) -> dict[date, WeatherDays]:
    """Each issue's days, by date of issue.

    Raises BadInput (`file:line: column: ...`); dates before their own issue are complained of.
    """
    text, label = table.load(source, name=name)
    sheet = table.whole(table.split(text, label), label)
    titles = [title.casefold() for title in sheet.header]
    if "issued" not in titles:
        raise table.refuse(
            [f"{label}: needs a column issued; found {', '.join(sheet.header)}"],
            hint="a forecast file has the columns of the daily weather file and `issued` in front",
        )
    if uneven := table.uneven(sheet, label):
        raise table.refuse(uneven)
    at, day_at = titles.index("issued"), titles.index("date") if "date" in titles else None
    complaints: list[str] = []
    rows: dict[date, list[tuple[int, list[str]]]] = {}
    for line, cells in sheet.rows:
        issued = _date(cells[at])
        if issued is None:
            complaints.append(f'{label}:{line}: issued: "{cells[at].strip()}" is not a date')
            continue
        day = None if day_at is None else _date(cells[day_at])
        if day is not None and day < issued:
            complaints.append(f"{label}:{line}: date: {day} is before its issue, {issued}")
        rows.setdefault(issued, []).append((line, cells))
    if complaints:
        raise table.refuse(complaints)
    if not rows:
        raise table.refuse([f"{label}: has a header but no rows"])
    header = [title for k, title in enumerate(sheet.header) if k != at]
    return {issued: _days(header, at, rows[issued], f"{label}, issue {issued}") for issued in sorted(rows)}


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text.strip()) if _ISO_DATE.fullmatch(text.strip()) else None
    except ValueError:
        return None


def _days(header: list[str], at: int, rows: list[tuple[int, list[str]]], label: str) -> WeatherDays:
    """One issue by the reader of the daily file, which knows every column; lines are those of the issue."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([[cell for k, cell in enumerate(cells) if k != at] for _, cells in rows])
    return daily_file.read(text.getvalue(), name=label)
