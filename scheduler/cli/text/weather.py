"""The weather page as text: a day a line, each figure with the letter of its source."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING, Literal

from scheduler.cli.text.base import Row, table, wrap
from scheduler.phrases.weather import WORDS, named, quality, restated, shown
from scheduler.show import Display

if TYPE_CHECKING:
    from scheduler.shapes.weather import SkillLine, WeatherDay, WeatherPage

ESTIMATED, LOOK = "~", "!"
STAND_IN = {"climatology": "c", "recent-mean": "m"}


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


# --- the days ------------------------------------------------------------------------------------


def _days(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    letters = _letters(page)
    looked = {(flag["date"], flag["field"]) for flag in page["quality"] if not flag["since"]}
    wind = "wind" if display == "us" else "wind 2m"
    heads = [("ET0", "et0_mm"), ("low", "tmin_c"), ("high", "tmax_c"), ("dew", "tdew_c"),
             ("sun", "solar_mj_m2"), (wind, "wind_m_s"), ("rain", "rain_mm")]  # fmt: skip
    rows: list[Row | None] = [
        ("day", [*(name for name, _ in heads), "odds"]),
        ("", [*(shown(field, display)[1] for _, field in heads), "%"]),
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
    write = shown(field, display)[0]
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
    return named(told) if told else ""


def _letters(page: WeatherPage) -> dict[str, str]:
    seen = dict.fromkeys(
        named(told)
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
    if page["quality"]:
        yield ""
        yield "Quality control"
    for text in quality(page, display):
        yield from wrap(f"  {text}", width, 6, cut=False)


def _restated(page: WeatherPage, display: Display, width: int) -> Iterator[str]:
    said = list(restated(page, display))
    if said:
        yield ""
        yield "Said anew"
    for text in said:
        yield from wrap(f"  {text}", width, 6)


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
        write, unit = shown(field, display)
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
