"""The weather page as text: a day a line, each figure with the letter of its source."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING, Literal

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import M_S_PER_MPH, MM_PER_INCH, Display

if TYPE_CHECKING:
    from scheduler.shapes.weather import FlagLine, SkillLine, Value, WeatherDay, WeatherPage

ESTIMATED, LOOK = "~", "!"
MATTERS = {"rain_mm": 0.5, "solar_mj_m2": 2.0, "wind_m_s": 0.5, "tdew_c": 1.0}
"""Restatements below these (below 1 degC, 5 % for the rest) are left to --json."""
STAND_IN = {"climatology": "c", "recent-mean": "m"}
WORDS = {
    "tmin_c": "low", "tmax_c": "high", "tdew_c": "dew point", "rh_mean_pct": "mean RH",
    "rh_min_pct": "lowest RH", "rh_max_pct": "highest RH", "wind_m_s": "wind", "wind_height_m": "wind height",
    "solar_mj_m2": "sun", "sunshine_h": "sunshine", "rain_mm": "rain", "rain_chance_pct": "chance of rain",
    "rain_so_far_mm": "rain so far", "et0_mm": "ET0",
}  # fmt: skip
VERDICTS = {"rejected": "set aside", "repaired": "held", "kept": "kept, in doubt"}


Figure = Literal["bias", "mean_absolute", "pairs"]
FIGURES: tuple[tuple[Figure, str], ...] = (("bias", "mean"), ("mean_absolute", "off by"), ("pairs", "days"))


def weather_text(page: WeatherPage, display: Display, width: int) -> str:
    return "\n".join(line.rstrip() for line in _lines(page, display, width))


def _lines(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{page['garden']}: weather from {page['from']} to {page['to']}", width, 2)
    for notice in page["notices"]:
        mark = "  " if notice["level"] == "info" else "! "
        yield from wrap(f"{mark}{notice['text']}", width, 4)
    yield ""
    yield from _days(page, display, width)
    yield from _quality(page, display, width)
    yield from _restated(page, display, width)
    yield from _forecasts(page, display, width)
    if page["credits"]:
        yield ""
    for credit in page["credits"]:
        yield from wrap(credit, width, 2, cut=False)


# --- quantities ----------------------------------------------------------------------------------


def _shown(field: str, display: Display) -> tuple[Callable[[float], str], str]:
    """How a field's SI value is written, and its unit."""
    us = display == "us"
    if field in ("tmin_c", "tmax_c", "tdew_c"):
        return (lambda c: f"{c * 1.8 + 32:.0f}", "F") if us else (lambda c: f"{c:.1f}", "C")
    if field in ("rain_mm", "rain_so_far_mm", "et0_mm"):
        return (lambda mm: f"{mm / MM_PER_INCH:.2f}", "in") if us else (lambda mm: f"{mm:.1f}", "mm")
    if field == "wind_m_s":
        return (lambda v: f"{v / M_S_PER_MPH:.0f}", "mph") if us else (lambda v: f"{v:.1f}", "m/s")
    if field == "solar_mj_m2":
        return lambda v: f"{v:.1f}", "MJ/m2"
    unit = "m" if field == "wind_height_m" else "h" if field == "sunshine_h" else "%"
    return lambda v: f"{v:.0f}", unit


def _say(field: str, value: float, display: Display) -> str:
    write, unit = _shown(field, display)
    return f"{write(value)} {unit}"


# --- the days ------------------------------------------------------------------------------------


def _days(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    letters = _letters(page)
    looked = {(flag["date"], flag["field"]) for flag in page["quality"] if not flag["since"]}
    wind = "wind" if display == "us" else "wind 2m"
    heads = [("ET0", "et0_mm"), ("low", "tmin_c"), ("high", "tmax_c"), ("dew", "tdew_c"),
             ("sun", "solar_mj_m2"), (wind, "wind_m_s"), ("rain", "rain_mm")]  # fmt: skip
    rows: list[Row | None] = [
        ("day", [*(name for name, _ in heads), "odds"]),
        ("", [*(_shown(field, display)[1] for _, field in heads), "%"]),
    ]
    for day in page["days"]:
        when = date.fromisoformat(day["date"])
        now = ">" if day["date"] == page["today"] else " "
        cells = [_cell(day, field, letters, looked, display) for _, field in heads]
        chance = day["values"].get("rain_chance_pct")
        said = f"{chance['value']:.0f}" if chance and day["date"] >= page["today"] else ""
        rows.append((f"{now}{when:%a} {when.day:>2} {when:%b}", [*cells, said]))
    yield from table(rows, width, label=12, cells=[8, *[9] * 6, 6])
    yield ""
    yield from _legend(page, letters, width)


def _cell(
    day: WeatherDay, field: str, letters: dict[str, str], looked: set[tuple[str, str]], display: Display
) -> str:
    """Value and its marks."""
    write = _shown(field, display)[0]
    if field == "et0_mm":
        mark = STAND_IN.get(day["et0_method"] or "", ESTIMATED if day["estimated"] else " ")
        return "-" if day["et0_mm"] is None else write(day["et0_mm"]) + mark + " "
    part = {"tdew_c": "humidity", "solar_mj_m2": "solar radiation", "wind_m_s": "wind"}.get(field, field)
    value = _value(day, field)
    fields = ["tdew_c", "rh_max_pct", "rh_min_pct", "rh_mean_pct"] if field == "tdew_c" else [field]
    look = LOOK if any((day["date"], name) in looked for name in fields) else " "
    if value is None:
        return f"- {look}"
    mark = ESTIMATED if part in day["estimated"] else letters.get(_who(day, fields), " ")
    return f"{write(value)}{mark}{look}"


def _value(day: WeatherDay, field: str) -> float | None:
    """As ET0 was worked out from it, where it was; else as it was given."""
    match field:
        case "tdew_c":
            return day["used"].get("tdew_c")
        case "solar_mj_m2":
            return day["used"].get("rs_mj_m2")
        case "wind_m_s":
            return day["used"].get("u2_m_s")
    given = day["values"].get(field)
    return given["value"] if given else None


def _who(day: WeatherDay, fields: list[str]) -> str:
    by = day["humidity_by"] or ""
    if len(fields) > 1:
        fields = fields[:1] if by.startswith("dew") else fields[1:3] if by.startswith("RHmax") else fields[3:]
    told = next((day["values"][name] for name in fields if name in day["values"]), None)
    return _named(told) if told else ""


def _named(told: Value) -> str:
    source = told["source"] or ""
    return source if source == told["kind"] else f"{source} ({told['kind']})"


def _letters(page: WeatherPage) -> dict[str, str]:
    seen = dict.fromkeys(
        _named(told)
        for day in page["days"]
        for field, told in day["values"].items()
        if field not in ("wind_height_m", "rain_chance_pct") and told["source"]
    )
    return {name: chr(ord("a") + i % 26) for i, name in enumerate(seen) if name}


def _legend(page: WeatherPage, letters: dict[str, str], width: int) -> Iterator[str]:
    said = [f"{letter} {name}" for name, letter in letters.items()]
    ways: dict[str, None] = {}
    methods = {day["et0_method"] for day in page["days"]}
    for day in page["days"]:
        for part, how in day["estimated"].items():
            if part != "temperature":
                ways[f"{part}: {how}"] = None
    if ways:
        said.append(f"{ESTIMATED} nobody said, so estimated: {'; '.join(ways)}")
    if "climatology" in methods:
        said.append("c mean of the same days of earlier years, for want of temperatures")
    if "recent-mean" in methods:
        said.append("m mean of the latest days, for want of temperatures")
    if any(not flag["since"] for flag in page["quality"]):
        said.append(f"{LOOK} see quality control")
    if methods & {"penman-monteith", "penman-monteith-estimated"}:
        said.append("ET0 by FAO-56 Penman-Monteith (eq 6)")
    if "hargreaves" in methods:
        said.append("ET0 by FAO-56 eq 52 (temperatures only) where nobody gave humidity, sun and wind")
    for text in said:
        yield from wrap(text, width, 2)


# --- what was found and changed ------------------------------------------------------------------


def _quality(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    if not page["quality"]:
        return
    yield ""
    yield "Quality control"
    by_rule: dict[tuple[str, str, str], dict[tuple[str, str], FlagLine]] = {}
    for flag in page["quality"]:
        same = by_rule.setdefault((flag["source"], flag["rule"], flag["verdict"]), {})
        same[flag["date"], flag["field"]] = flag
    for (source, rule, verdict), flags in by_rule.items():
        mine = list(flags.values())
        last, fields = mine[-1], dict.fromkeys(WORDS[flag["field"]] for flag in mine)
        first = min(flag["since"] or flag["date"] for flag in mine)
        when = first if first == last["date"] else f"{first} to {last['date']}"
        amount = (
            f" {_say(last['field'], last['value'], display)}" if len(mine) == 1 and not last["since"] else ""
        )
        yield from wrap(
            f"  {when} {', '.join(fields)}{amount} of {source} {VERDICTS[verdict]}: {last['reason']}"
            f"  [{rule}: {last['published']}]", width, 6, cut=False,
        )  # fmt: skip


def _restated(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    shown = [
        r
        for r in page["restated"]
        if abs(r["now"] - r["was"]) >= MATTERS.get(r["field"], 1.0 if r["field"].endswith("_c") else 5.0)
    ]
    if not shown:
        return
    yield ""
    yield "Said anew"
    for r in shown:
        was, now = _say(r["field"], r["was"], display), _say(r["field"], r["now"], display)
        text = f"  {r['date']} {WORDS[r['field']]} of {r['source']}: {was} -> {now} ({r['said_at'][:10]})"
        yield from wrap(text, width, 6)


def _forecasts(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    yield ""
    rows = [row for row in page["forecasts"] if row["field"] in ("et0_mm", "rain_mm")]
    if not rows:
        yield from wrap("No forecast has come due yet: how they fare shows here later.", width, 2)
        return
    since = page["forecasts_since"]
    yield from wrap(f"How forecasts have fared since {since}: what came less the forecast", width, 2)
    for n, source in enumerate(dict.fromkeys(row["source"] for row in rows)):
        if n:
            yield ""
        yield from wrap(source, width, 2)
        mine = [row for row in rows if row["source"] == source]
        yield from table([_LEADS, *_fared(mine, display)], width, label=24, cells=[8] * 7)


_LEADS: Row = ("days ahead", [str(lead) for lead in range(1, 8)])


def _fared(rows: Sequence[SkillLine], display: Display) -> Iterator[Row]:
    for field in ("et0_mm", "rain_mm"):
        mine = {row["lead_days"]: row for row in rows if row["field"] == field}
        if not mine:
            continue
        write, unit = _shown(field, display)
        for key, label in FIGURES:
            name = f"{WORDS[field]}, {unit}" if key == "bias" else ""
            yield f"  {name:<9} {label}", [_figure(mine.get(lead), key, write) for lead in range(1, 8)]


def _figure(row: SkillLine | None, key: Figure, write: Callable[[float], str]) -> str:
    if row is None:
        return "-"
    if key == "pairs":
        return str(row[key])
    text = write(abs(row[key]))
    sign = "" if key != "bias" or not float(text) else "-" if row[key] < 0 else "+"
    return f"{sign}{text}"
