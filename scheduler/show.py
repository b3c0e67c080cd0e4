"""Quantities back into words for people: plain arithmetic, so that the morning summary pays no import."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Literal

Display = Literal["us", "metric"]

# Exact by definition; NIST SP 811 (2008), appendix B.8 prints them.
LITERS_PER_GALLON = 3.785411784
MM_PER_INCH = 25.4
METERS_PER_FOOT = 0.3048
KPA_PER_PSI = 6.894757293168
M_S_PER_MPH = 0.44704

_UNKNOWN = "unknown"


def show_depth(mm: float, display: Display) -> str:
    """Such as "0.42 in" or "10.7 mm"."""
    return _fixed(mm / MM_PER_INCH, 2, "in") if display == "us" else _fixed(mm, 1, "mm")


def show_volume(liters: float, display: Display) -> str:
    """Such as "120 gal" or "454 L"; a decimal below 10."""
    value, unit = (liters / LITERS_PER_GALLON, "gal") if display == "us" else (liters, "L")
    return _fixed(value, 0 if abs(value) >= 9.95 else 1, unit)


def show_length(m: float, display: Display) -> str:
    """Such as "80 ft" or "24.4 m"; inches below one foot."""
    if display == "metric":
        return _short(m, 1 if abs(m) >= 10 else 2, "m")
    feet = m / METERS_PER_FOOT
    return _short(feet, 1, "ft") if round(abs(feet), 6) >= 1 or not feet else _short(feet * 12, 2, "in")


def show_flow(lpm: float, display: Display) -> str:
    """Such as "5.17 gpm" or "19.6 L/min"; two decimals where it is little."""
    if display == "metric":
        return _fixed(lpm, 1 if abs(lpm) >= 0.995 or not lpm else 2, "L/min")
    gpm = lpm / LITERS_PER_GALLON
    return _fixed(gpm, 1 if abs(gpm) >= 9.995 else 2, "gpm")


def show_pressure(kpa: float, display: Display) -> str:
    """Such as "12 psi" or "83 kPa"."""
    return _short(kpa / KPA_PER_PSI, 1, "psi") if display == "us" else _fixed(kpa, 0, "kPa")


def show_temperature(celsius: float, display: Display) -> str:
    """Such as "84 F" or "29 C"."""
    return _fixed(celsius * 1.8 + 32, 0, "F") if display == "us" else _fixed(celsius, 0, "C")


def show_warmth(kelvin: float, display: Display) -> str:
    """A difference of temperatures, such as "45 F" or "25.0 C"."""
    return _fixed(kelvin * 1.8, 0, "F") if display == "us" else _fixed(kelvin, 1, "C")


def show_area(m2: float, display: Display) -> str:
    """Such as "2,400 sq ft" or "223 m2"; a decimal below 10."""
    value, unit = (m2 / METERS_PER_FOOT**2, "sq ft") if display == "us" else (m2, "m2")
    return _fixed(value, 0 if abs(value) >= 9.95 else 1, unit)


def words(text: str, numbers: Iterable[float], display: Display) -> str:
    """A text with its numbers put in, each as its place asks: {:depth}, or a format such as {:.0f}.

    A text without numbers stays as it is.

    >>> words("{:flow} of {:flow}, {:.0f} times", (18.927, 37.854, 2.0), "us")
    '5.00 gpm of 10.0 gpm, 2 times'
    """
    shown = [_Number(number, display) for number in numbers]
    return text.format(*shown) if shown else text


class _Number:
    """One number, SI, that is formatted as a quantity."""

    def __init__(self, value: float, display: Display) -> None:
        self._value, self._display = value, display

    def __format__(self, kind: str) -> str:
        show = _SHOW.get(kind)
        return format(self._value, kind) if show is None else show(self._value, self._display)


def show_minutes(minutes: float) -> str:
    """Such as "48 min", "1 h 12 min", "2 h"; seconds below one minute."""
    if not math.isfinite(minutes):
        return _UNKNOWN
    if minutes < 0:
        return f"-{show_minutes(-minutes)}"
    seconds = math.floor(minutes * 60 + 0.5)
    if seconds < 60:
        return f"{seconds} s" if seconds else "0 min"
    hours, rest = divmod(math.floor(minutes + 0.5), 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def show_speed(m_s: float, display: Display) -> str:
    """Of water, such as "5.2 ft/s" or "1.6 m/s"."""
    return _fixed(m_s / METERS_PER_FOOT, 1, "ft/s") if display == "us" else _fixed(m_s, 1, "m/s")


WEATHER_NAMES = {
    "tmin_c": "lowest temperature", "tmax_c": "highest temperature", "tdew_c": "dew point",
    "rh_mean_pct": "mean humidity", "rh_min_pct": "lowest humidity", "rh_max_pct": "highest humidity",
    "wind_m_s": "wind", "wind_height_m": "height of the wind", "solar_mj_m2": "solar radiation",
    "sunshine_h": "sunshine", "rain_mm": "rain", "rain_chance_pct": "chance of rain",
    "rain_so_far_mm": "rain since midnight",
}  # fmt: skip


def show_weather(field: str, value: float, display: Display) -> str:
    """A field of the weather, SI, as people read it; "84 F", "0.42 in"."""
    match field:
        case "tmin_c" | "tmax_c" | "tdew_c":
            return show_temperature(value, display) if display == "us" else _fixed(value, 1, "C")
        case "rain_mm" | "rain_so_far_mm":
            return show_depth(value, display)
        case "wind_m_s":
            return _fixed(value / M_S_PER_MPH, 0, "mph") if display == "us" else _fixed(value, 1, "m/s")
        case "wind_height_m":
            return show_length(value, display)
        case "solar_mj_m2":
            return _fixed(value, 1, "MJ/m2")
    return _fixed(value, 0, "h" if field == "sunshine_h" else "%")


_SHOW: Mapping[str, Callable[[float, Display], str]] = {
    "depth": show_depth,
    "volume": show_volume,
    "flow": show_flow,
    "temperature": show_temperature,
    "warmth": show_warmth,
    "length": show_length,
    "speed": show_speed,
}


def _fixed(value: float, digits: int, unit: str) -> str:
    if not math.isfinite(value):
        return _UNKNOWN
    return f"{round(value, digits) + 0.0:,.{digits}f} {unit}"


def _short(value: float, digits: int, unit: str) -> str:
    """As `_fixed`, without the zeros at the end."""
    text = _fixed(value, digits, "").strip()
    if text == _UNKNOWN:
        return text
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"
