"""The weather: what each day was and will be, who said so, and how forecasts have fared."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from scheduler.drawings.weather import FIELDS, forecasts
from scheduler.drawings.weather import weather as drawn
from scheduler.html.screens.frame import Frame, render
from scheduler.phrases.weather import WORDS, named, quality, restated, say
from scheduler.shapes.base import Display
from scheduler.shapes.weather import SkillLine, WeatherDay, WeatherPage

TOLD = ("tmin_c", "tmax_c", "rain_mm", "tdew_c", "solar_mj_m2", "wind_m_s")


def weather(page: WeatherPage, frame: Frame) -> str:
    """page: `rowwater weather --json`."""
    skill = [row for row in page["forecasts"] if row["field"] in FIELDS]
    return render(
        "weather.html",
        frame,
        page=page,
        picture=Markup(drawn("weather", page, frame.display) if page["days"] else ""),
        days=[(day["date"], ", ".join(_values(day, page["today"], frame.display)), list(_who(day)))
              for day in page["days"]],
        quality=list(quality(page, frame.display)),
        restated=list(restated(page, frame.display)),
        forecasts=[Markup(forecasts(f"off-{field}", skill, field, frame.display)) for field in FIELDS],
        skill=[(row, _fared(row, frame.display)) for row in skill],
        stale=[source for source in page["sources"] if source["stale"]],
    )  # fmt: skip


def _values(day: WeatherDay, today: str, display: Display) -> Iterator[str]:
    for field in TOLD:
        if (told := day["values"].get(field)) is not None:
            yield f"{WORDS[field]} {say(field, told['value'], display)}"
    if day["date"] >= today and (chance := day["values"].get("rain_chance_pct")) is not None:
        yield f"{chance['value']:.0f}% chance of rain"
    if day["et0_mm"] is not None:
        yield f"ET0 {say('et0_mm', day['et0_mm'], display)}"


def _who(day: WeatherDay) -> Iterator[str]:
    """ "file weather.csv (station): low, high, rain", then what nobody said."""
    by: dict[str, list[str]] = {}
    for field in TOLD:
        if (told := day["values"].get(field)) is not None and told["source"]:
            by.setdefault(named(told), []).append(WORDS[field])
    for source, fields in by.items():
        yield f"{source}: {', '.join(fields)}"
    for part, how in day["estimated"].items():
        yield f"nobody said {part}: {how}"


def _fared(row: SkillLine, display: Display) -> tuple[str, str]:
    """Off by how much, and to which side on the whole."""
    off, bias = (say(row["field"], abs(row[key]), display) for key in ("mean_absolute", "bias"))
    if not float(bias.split()[0]):
        return off, bias
    return off, f"{'-' if row['bias'] < 0 else '+'}{bias}"
