"""The weather page drawn: temperatures, sun under a clear sky's, rain, ET0. matplotlib is optional."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from scheduler.plots.base import pyplot_for
from scheduler.shapes.weather import Used, WeatherPage
from scheduler.show import MM_PER_INCH, Display

NAN = float("nan")


def draw(page: WeatherPage, path: Path, display: Display) -> None:
    """Write a PNG or SVG. CouldNot where matplotlib is not installed."""
    pyplot = pyplot_for(path)
    us = display == "us"
    at = [date.fromisoformat(day["date"]) for day in page["days"]]
    figure, axes = pyplot.subplots(4, 1, sharex=True, figsize=(9, 9), layout="constrained")
    air, sun, rain, et0 = axes
    _draw_air(air, page, at, us)
    _draw_sun(sun, page, at)
    _draw_rain(rain, page, at, us)
    _draw_et0(et0, page, at, us)
    dotted = _mark_midnight(axes, date.fromisoformat(page["today"]), at)
    air.set_title(f"{page['garden']}: weather" + ("; dotted: last midnight" if dotted else ""))
    air.legend(fontsize="small")
    sun.legend(fontsize="small")
    figure.autofmt_xdate()
    figure.savefig(path, dpi=120)
    pyplot.close(figure)


def _draw_air(axes: Any, page: WeatherPage, at: list[date], us: bool) -> None:
    def degrees(celsius: list[float]) -> list[float]:
        return [c * 1.8 + 32 if us else c for c in celsius]

    low, high = degrees(_column(page, "tmin_c")), degrees(_column(page, "tmax_c"))
    axes.fill_between(at, low, high, color="tab:orange", alpha=0.4)
    dew = degrees(_used(page, lambda used: used.get("tdew_c")))
    axes.plot(at, dew, color="tab:cyan", label="dew point")
    axes.set_ylabel("low to high, " + ("F" if us else "C"))


def _draw_sun(axes: Any, page: WeatherPage, at: list[date]) -> None:
    clear = _used(page, lambda used: used.get("rso_mj_m2"))
    axes.plot(at, clear, color="0.6", ls="--", label="clear sky (FAO-56 eq 37)")
    taken = _used(page, lambda used: used.get("rs_mj_m2"))
    axes.plot(at, taken, color="tab:orange", marker=".", label="used")
    aside = [f for f in page["quality"] if f["field"] == "solar_mj_m2" and not f["since"]]
    if aside:
        where = [date.fromisoformat(f["date"]) for f in aside]
        axes.plot(where, [f["value"] for f in aside], "x", color="tab:red", label="set aside or held")
    axes.set_ylabel("sun, MJ/m2")


def _draw_rain(axes: Any, page: WeatherPage, at: list[date], us: bool) -> None:
    unit, size = _depth(us)
    axes.bar(at, [mm / size for mm in _column(page, "rain_mm")], color="tab:blue")
    axes.set_ylim(0, max(2.0 / size, 1.1 * axes.get_ylim()[1]))
    axes.set_ylabel(f"rain, {unit}")


def _draw_et0(axes: Any, page: WeatherPage, at: list[date], us: bool) -> None:
    unit, size = _depth(us)
    depths = [NAN if day["et0_mm"] is None else day["et0_mm"] / size for day in page["days"]]
    sure = ["tab:green" if not day["estimated"] else "yellowgreen" for day in page["days"]]
    axes.bar(at, depths, color=sure)
    axes.set_ylabel(f"ET0, {unit}")
    axes.set_xlabel("pale: humidity, sun, wind or temperature partly estimated")


def _mark_midnight(axes: Iterable[Any], today: date, at: list[date]) -> bool:
    """Dot the midnight before `today` in every panel; False where today is not among the days."""
    if not at[0] <= today <= at[-1]:
        return False
    midnight = datetime.combine(today, time(0, 0)) - timedelta(hours=12)  # bars stand on their date
    for panel in axes:
        panel.axvline(midnight, color="0.3", ls=":")
    return True


def _depth(us: bool) -> tuple[str, float]:
    """The unit of a depth of water, and its mm."""
    return ("in", MM_PER_INCH) if us else ("mm", 1.0)


def _column(page: WeatherPage, field: str) -> list[float]:
    days = page["days"]
    return [day["values"][field]["value"] if field in day["values"] else NAN for day in days]


def _used(page: WeatherPage, value: Callable[[Used], float | None]) -> list[float]:
    return [NAN if (found := value(day["used"])) is None else found for day in page["days"]]
