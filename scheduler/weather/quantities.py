"""What a weather column may be called, in which unit it may come, and which values cannot be true."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from scheduler.nearest import nearest

MISSING_TEXTS = frozenset({"", "-", "--", "---", "na", "n/a", "nan", "null", "none", "m"})
MISSING_NUMBERS = frozenset(
    {-99.0, -999.0, -9999.0, -99.9, -99.99, -999.9, -999.99, -9999.9, -9999.99}  # common practice, no source
)
NEEDED = frozenset({"tmin_c", "tmax_c", "rain_mm"})
"""A day with these is known; the rest can be estimated."""

LIMITS: Mapping[str, tuple[float, float]] = {
    "tmin_c": (-90.0, 60.0),
    "tmax_c": (-90.0, 60.0),
    "tdew_c": (-90.0, 60.0),
    "rh_mean_pct": (0.0, math.inf),  # above 100 is the model's affair (M1 counts it as 100)
    "rh_min_pct": (0.0, math.inf),
    "rh_max_pct": (0.0, math.inf),
    "wind_m_s": (0.0, 110.0),
    "wind_height_m": (0.2, 200.0),
    "solar_mj_m2": (-math.inf, 50.0),  # M1 deals with negative ones and with more than a clear sky
    "sunshine_h": (0.0, 24.0),
    "rain_mm": (0.0, 2000.0),
    "rain_chance_pct": (0.0, 100.0),
    "rain_so_far_mm": (0.0, 2000.0),
}
"""Daily values outside these (both ends allowed) are impossible, and count as missing."""

UNIT_WORDS: Mapping[str, str] = {
    "tmin_c": "°C", "tmax_c": "°C", "tdew_c": "°C",
    "rh_mean_pct": "%", "rh_min_pct": "%", "rh_max_pct": "%", "rain_chance_pct": "%",
    "wind_m_s": "m/s", "wind_height_m": "m", "solar_mj_m2": "MJ/m2", "sunshine_h": "h", "rain_mm": "mm",
}  # fmt: skip


def possible(field: str, value: float) -> bool:
    low, high = LIMITS[field]
    return math.isfinite(value) and low <= value <= high


def number(text: str) -> float:
    """A plain decimal number; ValueError for anything else (also for digits grouped with _)."""
    if "_" in text or not text.isascii():
        raise ValueError(text)
    return float(text)


# --- units ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Unit:
    """SI = (value + shift) x scale."""

    scale: float = 1.0
    shift: float = 0.0
    power: bool = False  # a mean power: times the seconds it stands for, to make an energy

    def si(self, value: float) -> float:
        return (value + self.shift) * self.scale


TEMPERATURE = {"c": Unit(), "f": Unit(5 / 9, -32.0)}
SHARE = {"pct": Unit(), "fraction": Unit(100.0)}
SPEED = {
    "m_s": Unit(),
    "km_h": Unit(1 / 3.6),
    "kmh": Unit(1 / 3.6),
    "mph": Unit(0.44704),
    "knots": Unit(1852 / 3600),
    "kn": Unit(1852 / 3600),
    "km_day": Unit(1000 / 86400),  # wind run
    "mile_day": Unit(1609.344 / 86400),
}
DEPTH = {"mm": Unit(), "cm": Unit(10.0), "in": Unit(25.4)}
ENERGY = {
    "mj_m2": Unit(),
    "wh_m2": Unit(0.0036),
    "langley": Unit(0.041868),  # the factor of the station networks' own reference programs
    "w_m2": Unit(1e-6, power=True),
}
HOURS = {"h": Unit(), "min": Unit(1 / 60)}
HEIGHT = {"m": Unit(), "ft": Unit(0.3048), "cm": Unit(0.01)}

Gather = Literal["min", "max", "mean", "sum", "energy", "spread", "humidity", "since midnight", "since reset"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is measured: its units, the daily field that it makes, how a day's rows become one value."""

    units: Mapping[str, Unit]
    field: str
    gather: Gather


QUANTITIES: Mapping[str, Quantity] = {
    "tmin": Quantity(TEMPERATURE, "tmin_c", "min"),
    "tmax": Quantity(TEMPERATURE, "tmax_c", "max"),
    "temp": Quantity(TEMPERATURE, "tmax_c", "spread"),
    "tdew": Quantity(TEMPERATURE, "tdew_c", "mean"),
    "rh": Quantity(SHARE, "rh_mean_pct", "humidity"),
    "rh_mean": Quantity(SHARE, "rh_mean_pct", "mean"),
    "rh_min": Quantity(SHARE, "rh_min_pct", "min"),
    "rh_max": Quantity(SHARE, "rh_max_pct", "max"),
    "wind": Quantity(SPEED, "wind_m_s", "mean"),
    "wind_height": Quantity(HEIGHT, "wind_height_m", "mean"),
    "solar": Quantity(ENERGY, "solar_mj_m2", "energy"),
    "sunshine": Quantity(HOURS, "sunshine_h", "sum"),
    "rain": Quantity(DEPTH, "rain_mm", "sum"),
    "rain_day": Quantity(DEPTH, "rain_mm", "since midnight"),
    "rain_total": Quantity(DEPTH, "rain_mm", "since reset"),
    "rain_chance": Quantity(SHARE, "rain_chance_pct", "max"),
}

COLUMN_KEYS: list[str] = [f"{stem}_{unit}" for stem, q in QUANTITIES.items() for unit in q.units]
"""Every key that the `columns` of a station file may have, besides `date` and `time`."""


def parse_key(key: str) -> tuple[str, Quantity, Unit]:
    """`rain_day_in` -> ("rain_day", its quantity, inch). ValueError tells the nearest key there is."""
    for stem, quantity in QUANTITIES.items():
        unit = quantity.units.get(key.removeprefix(stem + "_")) if key.startswith(stem + "_") else None
        if unit is not None:
            return stem, quantity, unit
    stem = max((s for s in QUANTITIES if key == s or key.startswith(s + "_")), key=len, default="")
    if stem:
        choice = ", ".join(f"{stem}_{unit}" for unit in QUANTITIES[stem].units)
        raise ValueError(f'"{key}" has no unit known here - one of {choice}')
    guess = nearest(key, COLUMN_KEYS)
    raise ValueError(f'"{key}" is not a weather column' + (f' - did you mean "{guess}"?' if guess else ""))
