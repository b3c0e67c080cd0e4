"""How a station's file is laid out: the settings of the grower, and what can be told from the text itself."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from scheduler.errors import BadInput
from scheduler.nearest import nearest
from scheduler.weather.files import table
from scheduler.weather.localdays import zone_of
from scheduler.weather.quantities import HEIGHT, LIMITS, Quantity, Unit, number, parse_key, possible

DELIMITERS = (",", ";", "\t", "|")
DELIMITER_WORDS = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "space": " "}
DECIMAL_WORDS = {".": ".", ",": ",", "point": ".", "comma": ","}
HEADER_WITHIN = 40  # lines
DATE_TITLES = (
    "date", "datum", "day", "date/time", "date time", "datetime", "timestamp", "date_time", "time", "fecha",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wanted:
    """One mapped column: the key of the settings, and the title it has in the file."""

    key: str
    title: str
    stem: str
    quantity: Quantity
    unit: Unit


@dataclass(frozen=True, slots=True)
class Layout:
    wanted: tuple[Wanted, ...]
    date_title: str | None = None
    time_title: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    date_format: str | None = None
    wind_height_m: float | None = None
    missing: frozenset[str] = frozenset()
    encoding: str = "utf-8"
    time_zone: str | None = None
    label: Literal["start", "end"] = "end"


def check(settings: Mapping[str, Any]) -> list[str]:
    """Complaints about the settings of one file source, each `key: what is expected`."""
    try:
        _layout(settings, complaints := [])
    except BadInput as problem:
        complaints.append(problem.text)
    return complaints


def layout(settings: Mapping[str, Any]) -> Layout:
    """The checked settings (a key that is absent or None takes its default). BadInput with all complaints."""
    complaints: list[str] = []
    made = _layout(settings, complaints)
    if complaints:
        raise BadInput("\n".join(complaints))
    return made


def _layout(settings: Mapping[str, Any], complaints: list[str]) -> Layout:
    columns = settings.get("columns")
    columns = columns if isinstance(columns, Mapping) else {}
    wanted: list[Wanted] = []
    for key, title in columns.items():
        if key in ("date", "time"):
            continue
        try:
            wanted.append(Wanted(str(key), str(title).strip(), *parse_key(str(key))))
        except ValueError as problem:
            complaints.append(f"columns: {problem}")
    makes: dict[str, str] = {}
    for w in wanted:
        rival = makes.setdefault(w.quantity.field, w.key)
        if rival != w.key:
            complaints.append(f"columns: {rival} and {w.key} both give {w.quantity.field}")
    if not wanted and not complaints:
        complaints.append('columns: needs at least one column - for example {tmax_f: "High", tmin_f: "Low"}')
    return Layout(
        wanted=tuple(wanted),
        date_title=_text(columns, "date"),
        time_title=_text(columns, "time"),
        delimiter=_delimiter(settings.get("delimiter"), complaints),
        decimal=_one_of(settings, "decimal", DECIMAL_WORDS, complaints),
        date_format=_text(settings, "date_format"),
        wind_height_m=_height(settings.get("wind_height"), complaints),
        missing=_marks(settings.get("missing")),
        encoding=_encoding(settings, complaints),
        time_zone=_zone_name(settings, complaints),
        label="start" if _one_of(settings, "label", {"start": "s", "end": "e"}, complaints) == "s" else "end",
    )


def _text(settings: Mapping[str, Any], key: str) -> str | None:
    value = settings.get(key)
    return str(value).strip() if value is not None else None


def _one_of(
    settings: Mapping[str, Any], key: str, choice: Mapping[str, str], complaints: list[str]
) -> str | None:
    value = settings.get(key)
    if value is None:
        return None
    text = str(value)
    if text not in choice and text.strip() not in choice:
        complaints.append(f'{key}: "{value}" - expected one of {", ".join(repr(word) for word in choice)}')
        return None
    return choice.get(text) or choice[text.strip()]


def _delimiter(value: object, complaints: list[str]) -> str | None:
    if value is None:
        return None
    mark = DELIMITER_WORDS.get(str(value).strip().casefold(), str(value))
    if len(mark) != 1 or mark in '\r\n"':
        complaints.append(f'delimiter: "{value}" - expected one character, tab, comma or semicolon')
        return None
    return mark


def _height(value: object, complaints: list[str]) -> float | None:
    """Metres, from a number of metres or a text with its unit."""
    if value is None:
        return None
    parts = re.fullmatch(r"\s*([\d.]+)\s*([a-z]*)\s*", str(value))
    unit = HEIGHT.get(parts[2] or "m") if parts else None
    try:
        height = unit.si(number(parts[1])) if parts and unit else 0.0
    except ValueError:
        height = 0.0
    if not 0.2 <= height <= 200:
        complaints.append(f'wind_height: "{value}" is not a height above ground - for example "10 m"')
        return None
    return height


def _marks(value: object) -> frozenset[str]:
    items = value if isinstance(value, list | tuple) else [] if value is None else [value]
    return frozenset(str(item).strip().casefold() for item in items)


def _encoding(settings: Mapping[str, Any], complaints: list[str]) -> str:
    name = _text(settings, "encoding") or "utf-8"
    try:
        codecs.lookup(name)
    except LookupError:
        complaints.append(f'encoding: "{name}" is not an encoding - for example "latin-1"')
        return "utf-8"
    return name


def _zone_name(settings: Mapping[str, Any], complaints: list[str]) -> str | None:
    name = _text(settings, "time_zone")
    if name is not None:
        try:
            zone_of(name)
        except BadInput as problem:
            complaints.append(f"time_zone: {problem.text}")
    return name


def plausible(wanted: Wanted, value: float) -> bool:
    """Whether one cell may be true: the daily limits, with some more room for what is not a daily value."""
    si = wanted.unit.si(value)
    if wanted.unit.power:
        return -50 <= value <= 2000  # W/m2: the sun above the air gives 1361
    if wanted.quantity.gather == "since reset":
        return 0 <= si <= 1e6
    if wanted.quantity.field.startswith("rh_"):
        return 0 <= si <= 150
    if wanted.quantity.field == "solar_mj_m2":
        return -1 <= si <= LIMITS["solar_mj_m2"][1]
    return possible(wanted.quantity.field, si)


# --- what the text tells -------------------------------------------------------------------------


def find_header(text: str, made: Layout, label: str) -> tuple[int, str]:
    """(line from 1, delimiter) of the line with most of the mapped titles. BadInput where none has one."""
    titles = {w.title.casefold() for w in made.wanted}
    best = (0, 0, 0, ",")  # titles found, minus the line, cells, delimiter
    lines = table.lines(text[: table.LONGEST_LINE])[:HEADER_WITHIN]
    for at, line in enumerate(lines, start=1):
        for delimiter in (made.delimiter,) if made.delimiter else DELIMITERS:
            try:
                cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
            except csv.Error:
                continue
            found = len(titles & {cell.strip().casefold() for cell in cells})
            best = max(best, (found, -at, len(cells), delimiter))
    if not text.strip():
        raise BadInput(f"{label}: is empty")
    if best[0] == 0:
        first = next((line.strip() for line in lines if line.strip() and not line.startswith("#")), "")
        titles_wanted = ", ".join(f'"{w.title}"' for w in made.wanted)
        raise BadInput(f"{label}: no line names {titles_wanted}; its header seems to be: {first[:200]}")
    return -best[1], best[3]


def position(title: str, header: Sequence[str]) -> int:
    """Where the column of this title stands. ValueError tells the nearest title."""
    if title in header:
        return header.index(title)
    folded = [name.casefold() for name in header]
    if folded.count(title.casefold()) == 1:
        return folded.index(title.casefold())
    guess = nearest(title, header)
    hint = f' - did you mean "{guess}"?' if guess else f"; it has {', '.join(header)}"
    raise ValueError(f'no column "{title}"{hint}')


def date_position(made: Layout, header: Sequence[str]) -> int:
    """The column of dates: the mapped one, else one with a usual title, else the first."""
    if made.date_title is not None:
        return position(made.date_title, header)
    folded = [name.casefold() for name in header]
    return next((folded.index(title) for title in DATE_TITLES if title in folded), 0)


def decimal_mark(cells: Sequence[str], label: str) -> str:
    """The decimal mark that all these cells agree with. BadInput where they leave it open."""
    with_comma = [cell for cell in cells if "," in cell]
    if not with_comma:
        return "."
    one_comma = all(re.fullmatch(r"[-+]?\d*,\d+", cell) for cell in with_comma)
    groups_possible = all(re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+(\.\d+)?", cell) for cell in with_comma)
    if one_comma and not groups_possible and not any("." in cell for cell in cells):
        return ","
    raise BadInput(
        f'{label}: decimal: cannot tell whether the comma in "{with_comma[0]}" is the decimal mark; '
        'say decimal: "," or decimal: "."'
    )
