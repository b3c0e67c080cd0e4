"""The weather page drawn: temperatures, sun under a clear sky's, rain, ET0. matplotlib is optional."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path

from scheduler.plots.base import pyplot_for
from scheduler.shapes.weather import Used, WeatherPage
from scheduler.show import MM_PER_INCH, Display

NAN = float("nan")


def draw(page: WeatherPage, path: Path, display: Display) -> None:
    """Write a PNG or SVG. CouldNot where matplotlib is not installed."""
    pyplot = pyplot_for(path)
    us = display == "us"
    depth, size = ("in", MM_PER_INCH) if us else ("mm", 1.0)
    days = page["days"]
    at = [date.fromisoformat(day["date"]) for day in days]
    today = date.fromisoformat(page["today"])
    midnight = datetime.combine(today, time(0, 0)) - timedelta(hours=12)  # bars stand on their date

    def column(field: str) -> list[float]:
        return [day["values"][field]["value"] if field in day["values"] else NAN for day in days]

    def used(value: Callable[[Used], float | None]) -> list[float]:
        return [NAN if (found := value(day["used"])) is None else found for day in days]

    def degrees(celsius: list[float]) -> list[float]:
        return [c * 1.8 + 32 if us else c for c in celsius]

    figure, (air, sun, rain, et0) = pyplot.subplots(4, 1, sharex=True, figsize=(9, 9), layout="constrained")
    air.fill_between(at, degrees(column("tmin_c")), degrees(column("tmax_c")), color="tab:orange", alpha=0.4)
    air.plot(at, degrees(used(lambda u: u.get("tdew_c"))), color="tab:cyan", label="dew point")
    air.set_ylabel("low to high, " + ("F" if us else "C"))
    sun.plot(at, used(lambda u: u.get("rso_mj_m2")), color="0.6", ls="--", label="clear sky (FAO-56 eq 37)")
    sun.plot(at, used(lambda u: u.get("rs_mj_m2")), color="tab:orange", marker=".", label="used")
    aside = [f for f in page["quality"] if f["field"] == "solar_mj_m2" and not f["since"]]
    if aside:
        where = [date.fromisoformat(f["date"]) for f in aside]
        sun.plot(where, [f["value"] for f in aside], "x", color="tab:red", label="set aside or held")
    sun.set_ylabel("sun, MJ/m2")
    rain.bar(at, [v / size for v in column("rain_mm")], color="tab:blue")
    rain.set_ylim(0, max(2.0 / size, 1.1 * rain.get_ylim()[1]))
    rain.set_ylabel(f"rain, {depth}")
    depths = [NAN if day["et0_mm"] is None else day["et0_mm"] / size for day in days]
    sure = ["tab:green" if not day["estimated"] else "yellowgreen" for day in days]
    et0.bar(at, depths, color=sure)
    et0.set_ylabel(f"ET0, {depth}")
    et0.set_xlabel("pale: humidity, sun, wind or temperature partly estimated")
    inside = at[0] <= today <= at[-1]
    for axis in (air, sun, rain, et0):
        if inside:
            axis.axvline(midnight, color="0.3", ls=":")
    air.set_title(f"{page['garden']}: weather" + ("; dotted: last midnight" if inside else ""))
    air.legend(fontsize="small")
    sun.legend(fontsize="small")
    figure.autofmt_xdate()
    figure.savefig(path, dpi=120)
    pyplot.close(figure)
