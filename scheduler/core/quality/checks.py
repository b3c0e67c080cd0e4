"""Quality control of daily weather: which values of one source may be believed, and why not.

`examine` only says what it finds; what is done about it is the caller's affair: the live morning goes
without what is rejected (the next source's word counts), a season changes nothing beyond model M1.

Published limits, all from memory, are named in RULES: FAO-56 annex 5 (measuring, and assessing the integrity
of weather data); ASCE-EWRI 2005 appendix D (weather data integrity assessment); Durre et al. 2010 (the checks
of the GHCN-Daily archive, J. Appl. Meteorol. Climatol. 49, 1615-1633).  Figures that these leave open were
set on ten real station records and are called own choice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray
from scheduler.core.balance.climate import clear_sky_radiation, days_of_year, sun, wind_at_2m
from scheduler.core.quality.windows import exact_runs, middle_without, quantile, trailing
from scheduler.model import WEATHER_FIELDS, Location, WeatherDays

Verdict = Literal["kept", "repaired", "rejected"]

COLDEST_C, HOTTEST_C = -89.4, 57.7  # world records, as Durre et al. 2010 use them
WETTEST_MM = 1828.8  # the same: most rain in a day anywhere
SPIKE_C = 25.0  # Durre et al. 2010: that far from both the day before and the day after
STREAK_DAYS = 20  # Durre et al. 2010: that often the same value
BOTH_STUCK_DAYS = 3  # lowest and highest repeat together; the records have pairs, no triple (own choice)
ZERO_RANGE_C = 4.5  # a false zero widens the day's range by this at least (own choice, Davis record)
ZERO_BELOW_C, ZERO_WARM_TMAX_C, ZERO_WARM_BELOW_C = 5.0, 22.0, 1.0
DEW_ABOVE_MEAN_C = 2.0  # a day's mean dew point above its mid temperature (own choice; records: up to 1.9)
DEW_ABOVE_TMIN_C = 4.0  # median of a month; FAO-56 annex 5: dew point near Tmin; sound records: up to 3.4
MOST_RH_PCT = 110.0  # above: not a sensor slightly out of calibration (own choice)
DRY_NIGHT_PCT = 20.0  # no highest humidity of a day with plants about (own choice, Davis record)
WET_NIGHT_PCT = 85.0  # ASCE-EWRI app. D: a humid place's nights come near 100 %, 90 % at least
WET_NIGHT_DRY_PLACE_PCT = 60.0  # the same where `location.dry` (own choice; Davis: 84)
HURRICANE_M_S = 32.7  # Beaufort 12, here as the mean of a whole day
STUCK_WIND_DAYS = 5  # equal daily means (own choice; records: 4 but for one run of 8)
STILL_DAYS = 2  # whole days of exactly 0
SLOW_WIND_M_S = 0.5  # FAO-56: the least wind the air has; a month's median below means worn bearings
DARK_SHARE = 0.03  # of Ra; the records' sunless days of rain and snow give 0.009 to 0.03 (own choice)
NO_SUN_SHARE = 0.005  # of Ra: less came on no day of the records but those of dead sensors (own choice)
BRIGHT_RANGE_C, BRIGHT_RAIN_MM = (
    8.0,
    1.0,
)  # warmer by day than at night, and dry: no such darkness (own choice)
DARK_RA_MJ = 2.0  # polar winters have no light to check
OVER_CLEAR_SKY = 1.05  # of Rso; model M1
CLEAR_SHARE = {False: 0.75, True: 0.80}  # of Rso, by location.dry; ASCE-EWRI app. D: clear days come near Rso
CLEAR_TOO_BRIGHT = 1.10
"""What the clearest twentieth of 60 days reach; least and most of eight sound records: 0.75 and 1.09.

So only a drift of a sixth or more shows; smaller ones cannot be told from haze."""
CLEAR_RA_MJ = 20.0  # the half year in which clear days are sure to come
RAIN_DAYS, RAIN_TIMES = (
    20,
    9.0,
)  # Durre et al. 2010: 9 x the 95th percentile of 29 calendar days, 20 of them wet
RAIN_UNHEARD_MM = 500.0  # where the record is too short for that: beyond the records of most US states
MONTH, TWO_MONTHS = 30, 60

FAO = "FAO-56 annex 5 (from memory)"
ASCE = "ASCE-EWRI 2005 appendix D (from memory)"
GHCN = "Durre et al. 2010 (from memory)"
OWN = "own choice, set on real records"
M1 = "model M1 (FAO-56)"
RULES: Mapping[str, str] = {
    "world record": GHCN,
    "lowest not below highest": FAO,
    "false zero": OWN,
    "spike": GHCN,
    "stuck temperature": f"{GHCN}; {OWN}",
    "dew point above the air": f"{FAO}; {OWN}",
    "dew point above the nights": f"{FAO}; {OWN}",
    "humidity limits": f"{M1}; {OWN}",
    "humidity over 100": M1,
    "night too dry": f"{ASCE}; {OWN}",
    "nights never humid": ASCE,
    "wind limits": OWN,
    "stuck wind": f"{ASCE}; {OWN}",
    "slow wind": f"{ASCE}; {OWN}",
    "more sun than above the air": f"{FAO} (eq 21)",
    "over a clear sky": M1,
    "no sun": f"{FAO}; {OWN}",
    "sun reads low": f"{ASCE}; {OWN}",
    "sun reads high": f"{ASCE}; {OWN}",
    "more sunshine than day": M1,
    "rain limits": GHCN,
    "unheard-of rain": f"{GHCN}; {OWN}",
    "rain gauge silent": OWN,
}
"""Rule: its published source."""


@dataclass(frozen=True, slots=True)
class Flag:
    """One value (or, with `since`, one sensor's run of days up to `day`) that quality control remarks on."""

    day: date
    field: str
    value: float  # as it came; of a run of days the figure that gave it away
    verdict: Verdict
    rule: str  # of RULES
    reason: str  # with places for `numbers`, which `show.words` fills in
    source: str = ""  # of the value
    now: float | None = None  # what it is repaired to
    since: date | None = None  # of a slow fault: the first day that was looked at
    first_seen: date | None = None  # the first day on which it showed
    kind: str = ""  # of the value: station, model or forecast
    numbers: tuple[float, ...] = ()  # SI, of the reason

    @property
    def published(self) -> str:
        """Where the rule comes from."""
        return RULES[self.rule]

    @property
    def sensor(self) -> bool:
        """A slow fault of a sensor: its values stand, somebody has to look."""
        return self.since is not None


class _Record:
    """One source's days while they are examined: a rejected value is gone for the rules that follow."""

    def __init__(self, days: WeatherDays, location: Location, source: str) -> None:
        self.first, self.source, self.location = days.first, source, location
        self.v = {name: np.array(getattr(days, name), dtype=np.float64) for name in WEATHER_FIELDS}
        self.flags: list[Flag] = []
        self.ra, self.daylight = sun(days_of_year(days.first, len(days)), location.latitude_deg)
        self.rso = clear_sky_radiation(self.ra, location.elevation_m)

    def day(self, i: int | np.int64) -> date:
        """The date of a day index."""
        return self.first + timedelta(days=int(i))

    def mark(
        self, field: str, where: BoolArray, verdict: Verdict, rule: str, reason: str,
        now: FloatArray | None = None, numbers: Callable[[int], tuple[float, ...]] = lambda _: (),
    ) -> None:  # fmt: skip
        """Flag a field's known values where `where` holds; rejected ones are gone for the rules that follow.

        now: (day,) what a repaired value is taken as.  numbers: of the reason, by day index.
        """
        values = self.v[field]
        for i in np.flatnonzero(where & np.isfinite(values)):
            held = None if now is None else float(now[i])
            flag = Flag(self.day(i), field, float(values[i]), verdict, rule, reason, self.source, held)
            self.flags.append(replace(flag, numbers=tuple(float(number) for number in numbers(int(i)))))
        if verdict == "rejected":
            values[where] = np.nan

    def lasting(
        self, field: str, where: BoolArray, figure: FloatArray, rule: str, reason: str, window: int
    ) -> None:
        """One flag a stretch of days on which the look back over `window` days finds the same."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(np.int8)))
        for begin, end in zip(edges[::2], edges[1::2] - 1, strict=True):
            since = max(self.day(begin) - timedelta(days=window - 1), self.first)
            found = float(figure[end])
            flag = Flag(self.day(end), field, found, "kept", rule, reason, self.source, numbers=(found,))
            self.flags.append(replace(flag, since=since, first_seen=self.day(begin)))


def examine(
    days: WeatherDays, location: Location, *, source: str = "", sensor: bool = True
) -> tuple[Flag, ...]:
    """What to think of one source's values, in order of days; `days` stays as it is.

    sensor: the values are a station's, so that slow faults of instruments are looked for; what a model or a
    forecast says can only be impossible.  The source of each rule stands in RULES.

    >>> from scheduler.core.balance.climate import weather_days
    >>> days = weather_days(date(2024, 6, 1), tmin_c=[12.0, 31.0], tmax_c=[25.0, 27.0], rain_mm=[0.0, -1.0])
    >>> for flag in examine(days, Location(35.6, -82.4, 650.0, "UTC"), source="shed"):
    ...     print(flag.day, flag.field, flag.value, flag.verdict, "-", flag.rule)
    2024-06-02 tmin_c 31.0 rejected - lowest not below highest
    2024-06-02 tmax_c 27.0 rejected - lowest not below highest
    2024-06-02 rain_mm -1.0 rejected - rain limits
    """
    record = _Record(days, location, source)
    with np.errstate(invalid="ignore"):
        for check in (_temperature, _dew_point, _humidity, _wind, _sun, _rain):
            check(record)
        if sensor:
            for check in (_stuck_temperature, _humid_nights, _wind_sensor, _sun_sensor):
                check(record)
    return tuple(sorted(record.flags, key=lambda flag: flag.day))


# --- temperature ---------------------------------------------------------------------------------


def _temperature(r: _Record) -> None:
    """What no thermometer can read, crossed extremes, false zeros and lone spikes are rejected.

    Sources: world records and the spike's 25 degC (Durre et al. 2010), crossed extremes (FAO-56 annex 5).
    """
    for name in ("tmin_c", "tmax_c", "tdew_c"):
        out = (r.v[name] < COLDEST_C) | (r.v[name] > HOTTEST_C)
        r.mark(name, out, "rejected", "world record", "colder or hotter than anywhere on earth")
    low, high = r.v["tmin_c"], r.v["tmax_c"]
    wrong = low >= high
    for name in ("tmin_c", "tmax_c"):
        r.mark(
            name, wrong, "rejected", "lowest not below highest",
            "the day's lowest temperature is not below its highest",
        )  # fmt: skip
    _false_zero(r)
    for name in ("tmin_c", "tmax_c"):
        before, after = _beside(r.v[name])
        lone = np.minimum(np.abs(r.v[name] - before), np.abs(r.v[name] - after)) > SPIKE_C
        lone &= np.sign(r.v[name] - before) == np.sign(r.v[name] - after)
        r.mark(
            name, lone, "rejected", "spike", "over {:warmth} off both the day before and after",
            numbers=lambda _: (SPIKE_C,),
        )  # fmt: skip


def _false_zero(r: _Record) -> None:
    """Exactly 0 where a missing value was written as 0 (or as 32 F)."""
    low, high = r.v["tmin_c"], r.v["tmax_c"]
    before, after = _beside(low)
    milder = np.fmin(before, after)  # yesterday has no day after it yet
    wide = (high - low) - middle_without(high - low, 3) > ZERO_RANGE_C
    odd = (milder > ZERO_BELOW_C) | ((high > ZERO_WARM_TMAX_C) & (milder > ZERO_WARM_BELOW_C))
    r.mark(
        "tmin_c", (low == 0) & wide & odd, "rejected", "false zero",
        "exactly {:temperature}, by {:temperature} by day and nights of {:temperature} and more before and "
        "after: a missing value, not a frost",
        numbers=lambda i: (0.0, high[i], milder[i]),
    )  # fmt: skip


def _beside(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The nearest known value before and after, of the day next to it or the one beyond."""
    gap = np.full(2, np.nan)
    padded = np.concatenate([gap, x, gap])
    before = np.where(np.isfinite(padded[1:-3]), padded[1:-3], padded[:-4])
    after = np.where(np.isfinite(padded[3:-1]), padded[3:-1], padded[4:])
    return before, after


def _stuck_temperature(r: _Record) -> None:
    """The same figure too often in a row is a stuck sensor: rejected.

    Source: 20 equal values (Durre et al. 2010); 3 days with both extremes equal (own choice).
    """
    low, high = r.v["tmin_c"], r.v["tmax_c"]
    both = exact_runs(low, high) >= BOTH_STUCK_DAYS
    for name in ("tmin_c", "tmax_c"):
        r.mark(
            name, both | (exact_runs(r.v[name]) >= STREAK_DAYS), "rejected", "stuck temperature",
            "the same temperature day after day",
        )  # fmt: skip


# --- humidity ------------------------------------------------------------------------------------


def _dew_point(r: _Record) -> None:
    """A day's mean dew point well above the middle of its temperatures is rejected (FAO-56 annex 5)."""
    dew, middle = r.v["tdew_c"], (r.v["tmin_c"] + r.v["tmax_c"]) / 2
    over = dew > middle + DEW_ABOVE_MEAN_C
    r.mark(
        "tdew_c", over, "rejected", "dew point above the air",
        "the air was {:temperature} in the middle: its dew point cannot be higher",
        numbers=lambda i: (middle[i],),
    )  # fmt: skip


def _humidity(r: _Record) -> None:
    """Outside 0 .. 110 %, crossed, or far too dry a night: rejected; a little over 100 % counts as 100.

    Sources: model M1 (100 %), ASCE-EWRI 2005 appendix D (nights), own choice for the limits themselves.
    """
    low, mean, high = (r.v[f"rh_{part}_pct"] for part in ("min", "mean", "max"))
    for name in ("rh_min_pct", "rh_mean_pct", "rh_max_pct"):
        out = (r.v[name] < 0) | (r.v[name] > MOST_RH_PCT)
        r.mark(name, out, "rejected", "humidity limits", f"not within 0 to {MOST_RH_PCT:g} %")
    crossed = low > high
    for name in ("rh_min_pct", "rh_max_pct"):
        r.mark(name, crossed, "rejected", "humidity limits", "the lowest humidity is above the highest")
    usual = middle_without(high, 7)
    too_dry = (high < DRY_NIGHT_PCT) & (usual > 2 * DRY_NIGHT_PCT)
    whole_day = f"the day's highest is below {DRY_NIGHT_PCT:g} %, of the days about it {{:.0f}} %"
    for name in ("rh_min_pct", "rh_mean_pct", "rh_max_pct"):
        r.mark(name, too_dry, "rejected", "night too dry", whole_day, numbers=lambda i: (usual[i],))
    outside = (mean < low - 1) | (mean > high + 1)
    r.mark("rh_mean_pct", outside, "rejected", "humidity limits", "not between the lowest and the highest")
    for name in ("rh_min_pct", "rh_mean_pct", "rh_max_pct"):
        r.mark(
            name, r.v[name] > 100, "repaired", "humidity over 100", "counted as 100 %",
            np.full(len(low), 100.0),
        )  # fmt: skip


def _humid_nights(r: _Record) -> None:
    """Slow faults of a humidity sensor: nights that never come near 100 %, dew points far above the nights.

    Sources: ASCE-EWRI 2005 appendix D, FAO-56 annex 5.
    """
    nights = trailing(r.v["rh_max_pct"], MONTH)
    best = np.nanmax(np.where(np.isfinite(nights), nights, -np.inf), axis=1)
    least = WET_NIGHT_DRY_PLACE_PCT if r.location.dry else WET_NIGHT_PCT
    enough = np.isfinite(nights).sum(axis=1) >= MONTH * 3 // 4
    r.lasting(
        "rh_max_pct", enough & (best < least), best, "nights never humid",
        f"no night of a month above {{:.0f}} % ({least:g} % and more expected): the sensor reads low",
        MONTH,
    )  # fmt: skip
    above = quantile(trailing(r.v["tdew_c"] - r.v["tmin_c"], MONTH), 0.5, least=MONTH * 3 // 4)
    r.lasting(
        "tdew_c", above > DEW_ABOVE_TMIN_C, above, "dew point above the nights",
        "a month's dew points lie {:warmth} above the lowest temperatures: humidity or temperature is off",
        MONTH,
    )  # fmt: skip


# --- wind ----------------------------------------------------------------------------------------


def _wind(r: _Record) -> None:
    """Below 0, or a hurricane's mean over a whole day: rejected (own choice, Beaufort 12)."""
    wind = r.v["wind_m_s"]
    out = (wind < 0) | (wind > HURRICANE_M_S)
    r.mark("wind_m_s", out, "rejected", "wind limits", "below 0, or a hurricane all day long")


def _wind_sensor(r: _Record) -> None:
    """Dead calm for days, equal means for days: rejected; a month of hardly any wind is remarked on.

    Sources: ASCE-EWRI 2005 appendix D; FAO-56 for the least wind that the air has.
    """
    runs = exact_runs(r.v["wind_m_s"])

    def length(i: int) -> tuple[float, ...]:
        return (runs[i],)

    still = (r.v["wind_m_s"] == 0) & (runs >= STILL_DAYS)
    r.mark("wind_m_s", still, "rejected", "stuck wind", "not a breath in {:.0f} whole days", numbers=length)
    stuck = runs >= STUCK_WIND_DAYS
    r.mark(
        "wind_m_s", stuck, "rejected", "stuck wind", "the same mean on {:.0f} days in a row", numbers=length
    )
    height = np.where(np.isfinite(r.v["wind_height_m"]), r.v["wind_height_m"], 2.0)
    usual = quantile(trailing(wind_at_2m(r.v["wind_m_s"], height), MONTH), 0.5, least=MONTH * 3 // 4)
    r.lasting(
        "wind_m_s", usual < SLOW_WIND_M_S, usual, "slow wind",
        "half of a month's days below {:.2f} m/s at 2 m: worn bearings, or a sheltered mast", MONTH,
    )  # fmt: skip


# --- sun -----------------------------------------------------------------------------------------


def _sun(r: _Record) -> None:
    """More than reaches the air's upper edge, or darkness by day: rejected; above 1.05 Rso: held to it.

    Sources: FAO-56 eq 21 (Ra), model M1 (1.05 Rso); the darkness is own choice.
    """
    rs = r.v["solar_mj_m2"]
    bright = (r.v["tmax_c"] - r.v["tmin_c"] > BRIGHT_RANGE_C) & ~(r.v["rain_mm"] > BRIGHT_RAIN_MM)
    dark = (rs < NO_SUN_SHARE * r.ra) | ((rs < DARK_SHARE * r.ra) & bright)
    r.mark(
        "solar_mj_m2", (dark & (r.ra > DARK_RA_MJ)) | (rs < 0), "rejected", "no sun",
        "even a dark day lets more of the {:.1f} MJ/m2 above the air through",
        numbers=lambda i: (r.ra[i],),
    )  # fmt: skip
    r.mark(
        "solar_mj_m2", rs > r.ra, "rejected", "more sun than above the air",
        "above the air the sun gives {:.1f} MJ/m2 that day", numbers=lambda i: (r.ra[i],),
    )  # fmt: skip
    most = OVER_CLEAR_SKY * r.rso
    r.mark("solar_mj_m2", rs > most, "repaired", "over a clear sky", "held to 1.05 of a clear sky's", most)
    hours = r.v["sunshine_h"]
    r.mark(
        "sunshine_h", hours > r.daylight * 1.02, "repaired", "more sunshine than day",
        "held to the length of the day", r.daylight,
    )  # fmt: skip


def _sun_sensor(r: _Record) -> None:
    """Slow faults of a sun sensor: what its clearest days reach of Rso in two months of the bright half year.

    Source: ASCE-EWRI 2005 appendix D (clear days come near Rso).
    """
    share = np.where(r.rso > 0, r.v["solar_mj_m2"] / np.where(r.rso > 0, r.rso, 1), np.nan)
    clearest = quantile(trailing(share, TWO_MONTHS), 0.95, least=TWO_MONTHS * 3 // 4)
    bright = np.mean(trailing(r.ra, TWO_MONTHS), axis=1) >= CLEAR_RA_MJ
    least = CLEAR_SHARE[r.location.dry]
    r.lasting(
        "solar_mj_m2", bright & (clearest < least), clearest, "sun reads low",
        f"the clearest of 60 days reach {{:.2f}} of a clear sky's (expected {least:g} and more): "
        "the sun sensor is dirty, tilted or ageing", TWO_MONTHS,
    )  # fmt: skip
    r.lasting(
        "solar_mj_m2", bright & (clearest > CLEAR_TOO_BRIGHT), clearest, "sun reads high",
        "the clearest of 60 days reach {:.2f} of a clear sky's: the sun sensor reads high", TWO_MONTHS,
    )  # fmt: skip


# --- rain ----------------------------------------------------------------------------------------


def _rain(r: _Record) -> None:
    """Impossible or unheard-of rain is rejected (Durre et al. 2010)."""
    rain = r.v["rain_mm"]
    out = (rain < 0) | (rain > WETTEST_MM)
    r.mark("rain_mm", out, "rejected", "rain limits", "below 0, or more than ever fell anywhere in a day")
    for i in np.flatnonzero(rain > RAIN_UNHEARD_MM / 10):
        limit, how = _rain_limit(r, int(i))
        if rain[i] > limit:
            _unheard_of(r, int(i), limit, how)


def _unheard_of(r: _Record, i: int, limit_mm: float, how: str) -> None:
    here = np.arange(len(r.v["rain_mm"])) == i
    reason = f"more than {{:depth}}, {how}"
    r.mark("rain_mm", here, "rejected", "unheard-of rain", reason, numbers=lambda _: (limit_mm,))


def _rain_limit(r: _Record, i: int) -> tuple[float, str]:
    """mm, and where it comes from; the day itself is left out of what it is held against."""
    rain = r.v["rain_mm"]
    apart = np.abs((np.arange(len(rain)) - i + 182.625) % 365.25 - 182.625)
    about = rain[(apart <= 14) & (np.arange(len(rain)) != i)]
    wet = about[about > 0]
    if len(wet) < RAIN_DAYS:
        return RAIN_UNHEARD_MM, "which few places ever saw"
    limit = RAIN_TIMES * float(np.quantile(wet, 0.95))
    return max(limit, 100.0), f"{RAIN_TIMES:g} times a heavy rain of the season here"
