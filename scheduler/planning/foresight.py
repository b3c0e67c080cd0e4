"""A season in which each morning's water is planned a week ahead, on a forecast or on the weather to come.

The balance always goes by the true weather.  Each morning is decided as the live one is: the same week, the
same planner, hours, days, caps and flow of garden.yaml.  Rule and doubt differ in what the simulation knows:
last night's deficit is exact here, and with perfect foresight so is the week.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm, Share
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, balance_of, step, stress_coefficient
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import SMALL_RAIN_SHARE_OF_ET0, Terms, depletion_fraction
from scheduler.core.hours.runs import Ask
from scheduler.core.hours.windows import watering_windows
from scheduler.core.uncertainty.sources import FORECAST_SHARE, SMALL_ET0_MM
from scheduler.core.week.inputs import SoilAhead
from scheduler.core.week.loss import suffered_days
from scheduler.core.week.problem import DAYS
from scheduler.model import Garden, WeatherDays
from scheduler.planning.day_rules import rules_from, supply_on
from scheduler.planning.forecasts import Ahead, Forecasts, Foreseen
from scheduler.planning.season import Season, SpanWeather, season_notices, season_span, weather_of
from scheduler.planning.shortage import urgency
from scheduler.planning.today import days_to_next_morning, planned_runs, valve_asks
from scheduler.planning.week import planned, week_ahead
from scheduler.shapes.season import Foresight

Mode = Literal["none", "forecast", "perfect"]
MORNING_SECONDS = 5.0
"""The most that the solver may take for a simulated morning, where it is asked at all."""


@dataclass(frozen=True, slots=True)
class Dawn:
    """A simulated morning: all that a strategy may look at."""

    garden: Garden
    day: int
    today: date
    terms: Terms  # as believed from `day` on
    need: Need  # model M6
    chance: Share
    etc_sd: Mm  # (day, zone)
    used_l: Mapping[date, float]  # of this month so far
    suffered_days: FloatArray  # (zone,) as `SoilAhead` has it


Decide = Callable[[Dawn], Minutes]
"""(zone,) minutes of a morning."""


@dataclass(slots=True)
class Planner:
    """Decides with the week's plan, and counts by which method.

    solver: ask HiGHS where the plain rule does not do; without it plain steps, which are quick.
    """

    solver: bool = False
    seconds: float = MORNING_SECONDS
    methods: Counter[str] = field(default_factory=Counter)

    def __call__(self, dawn: Dawn) -> Minutes:
        week = week_ahead(
            dawn.garden, dawn.garden.zones, dawn.terms, dawn.day, dawn.need, dawn.today,
            used_l=dawn.used_l,
            soil=SoilAhead(dawn.chance, etc_sd=dawn.etc_sd, suffered_days=dawn.suffered_days),
        )  # fmt: skip
        _, plan = planned(week, dawn.garden.zones, seconds=self.seconds, solver=self.solver, why_short=False)
        self.methods[plan.method] += 1
        return np.asarray(plan.minutes[0])


@dataclass(slots=True)
class WithinSupply:
    """Each zone by its own trigger, cut to what the day's hours, caps and flow allow, the driest first.

    short: by zone, the watering days on which a due zone got less than its rule asks.
    """

    short: Counter[str] = field(default_factory=Counter)

    def __call__(self, dawn: Dawn) -> Minutes:
        garden, zones, need = dawn.garden, dawn.garden.zones, dawn.need
        minutes = np.zeros(len(zones))
        if not need.minutes.any() or not rules_from(garden.supply, dawn.today)[0].allowed:
            return minutes
        supply = supply_on(garden.supply, dawn.today, dawn.used_l)
        windows = watering_windows(dawn.today, supply.hours, garden.location.timezone)
        flow = _stand_flows_lpm(dawn.terms)[dawn.terms.stand[dawn.day]]
        asks = valve_asks(
            zones,
            need,
            urgency(zones, need, dawn.terms.taw[dawn.day], dawn.suffered_days),
            lambda z: Ask(zones[z].name, float(need.minutes[z]), float(flow[z]), 0.0, 0.0),
        )
        runs, _ = planned_runs(asks, supply, windows, earliest=windows[0][0])
        index = {zone.name: z for z, zone in enumerate(zones)}
        for run in runs:
            minutes[index[run.zone]] += run.minutes
        self.short.update(zones[z].name for z in np.flatnonzero(minutes < need.minutes).tolist())
        return minutes


def _stand_flows_lpm(terms: Terms) -> FloatArray:
    """(stand + 1,): the last is that of bare soil, none."""
    return np.array([*(stand.delivery.flow_lpm for stand in terms.stands), 0.0])


# --- the walk ------------------------------------------------------------------------------------


def simulate_ahead(
    garden: Garden,
    weather: WeatherDays,
    mode: Mode,
    *,
    issues: Mapping[date, WeatherDays] | None = None,
    first: date | None = None,
    last: date | None = None,
    decide: Decide | None = None,
) -> Season:
    """The season under `decide` (default: the planner), balanced by the true weather.

    issues: forecasts by date of issue, needed for mode "forecast".  Mode "none" knows of no rain to come; its
    default is the plain rule within the supply.  Errors as of `season.simulate`.
    """
    first, last = season_span(garden, weather, first, last)
    count = (last - first).days + 1
    span = weather_of(garden, weather, first, last + timedelta(days=DAYS))
    source = _source(garden, span, mode, issues)
    planner = decide or (WithinSupply() if mode == "none" else Planner())
    balance = _Walk(garden, span, count, source).run(planner)
    season_terms = span.terms(garden, count)
    notices = season_notices(garden, weather, span, season_terms)
    foresight: Foresight = {"mode": mode}
    if isinstance(planner, Planner):
        foresight["mornings"] = dict(planner.methods)
    short = dict(planner.short) if isinstance(planner, WithinSupply) else None
    return Season(
        first, last, span.et, season_terms, balance, span.rain_mm[:count], notices, foresight,
        unlimited=False, short=short,
    )  # fmt: skip


def _source(
    garden: Garden, span: SpanWeather, mode: Mode, issues: Mapping[date, WeatherDays] | None
) -> Foreseen | Forecasts:
    if mode != "forecast":
        return Foreseen(span.et0_mm, span.rain_mm, 1.0 if mode == "perfect" else 0.0)
    assert issues
    return Forecasts(garden, issues, span.first, span.et.et0_mm, span.et.first)


class _Walk:
    """Morning after morning: believe, decide, water, and let the true day pass."""

    def __init__(self, garden: Garden, span: SpanWeather, count: int, source: Foreseen | Forecasts) -> None:
        self.garden, self.span, self.count, self.source = garden, span, count, source
        self.rule = RefillRule.of(garden.zones)
        self.truth = truth = span.terms(garden)
        self.believed = replace(
            truth,
            etc=truth.etc.copy(),
            raw=truth.raw.copy(),
            trigger=truth.trigger.copy(),
            rain_eff=truth.rain_eff.copy(),
        )
        self.kc, self.p_table = truth.spread(truth.flat.kc), truth.spread(truth.flat.p_table)
        self.share = _rain_share(truth, span.rain_mm)
        self.slope = truth.etc / (truth.taw - truth.raw)
        self.refill_at = np.array([zone.refill_at for zone in garden.zones])
        self.flow = _stand_flows_lpm(truth)[truth.stand]
        self.certain = isinstance(source, Foreseen)
        self.used_l: dict[date, float] = {}
        shape = count, len(garden.zones)
        self.start, self.end, self.given, self.minutes, self.eta = (np.zeros(shape) for _ in range(5))
        self.lack = np.zeros(shape)

    def run(self, decide: Decide) -> Balance:
        deficit, begun = np.zeros(len(self.garden.zones)), set[int]()
        for d in range(self.count):
            self._plant(d, deficit, begun)
            self.start[d] = deficit
            self._water(d, deficit, decide)
            deficit, self.eta[d] = step(
                deficit, irrigation=self.given[d], rain_eff=self.truth.rain_eff[d],
                etc=self.truth.etc[d], taw=self.truth.taw[d], slope=self.slope[d],
            )  # fmt: skip
            self.end[d] = deficit
            self.lack[d] = self._lack(d)
        return balance_of(
            self.truth, start=self.start, end=self.end, irrigation=self.given, minutes=self.minutes,
            eta=self.eta,
        )  # fmt: skip

    def _lack(self, d: int) -> Share:
        """(zone,) 1 - Ks of a day that has passed (FAO-56 eq 84)."""
        taw, watered = self.truth.taw[d], np.maximum(self.start[d] - self.given[d], 0)
        return np.asarray(1 - stress_coefficient(watered, taw=taw, span=taw - self.truth.raw[d]))

    def _plant(self, d: int, deficit: Mm, begun: set[int]) -> None:
        """Hold the deficit of plantings that begin to their TAW, in place."""
        for z in (zone for day, zone in self.truth.begins if day == d):
            carried = deficit[z] if z in begun else self.garden.zones[z].starting_deficit_mm
            deficit[z] = min(carried, self.truth.taw[d, z])
            begun.add(z)

    def _water(self, d: int, deficit: Mm, decide: Decide) -> None:
        """Let the morning be decided, and count its water."""
        today = self.span.first + timedelta(days=d)
        if today.day == 1:
            self.used_l.clear()
        if self.truth.standing[d].any():
            self.minutes[d] = decide(self._dawn(d, today, deficit))
        minutes = self.minutes[d]
        given = net_of_minutes(minutes, self.truth.minutes_per_mm[d], self.rule.limits.fill)
        self.given[d] = np.where(minutes > 0, given, 0.0)
        self.used_l[today] = float(minutes @ self.flow[d])

    def _dawn(self, d: int, today: date, deficit: Mm) -> Dawn:
        ahead = self.source.ahead(d)
        if not self.certain:
            self._believe(d, ahead)
        morning = Morning(
            et0_yesterday_mm=float(self.span.et0_mm[d - 1 if d and not self.certain else d]),
            rain_so_far_mm=0.0,
            applied_today_mm=np.zeros(len(deficit)),
            forecast_rain_mm=ahead.rain_mm,
            rain_chance=ahead.chance,
            days_to_next_morning=days_to_next_morning(self.garden, today),
            held=np.zeros(len(deficit), dtype=bool),
        )
        need = need_today(self.believed, d, deficit, morning, self.rule)
        etc_sd = self._etc_sd(d, ahead)
        suffered = suffered_days(self.lack[:d])
        return Dawn(self.garden, d, today, self.believed, need, ahead.chance, etc_sd, self.used_l, suffered)

    def _etc_sd(self, d: int, ahead: Ahead) -> Mm:
        """(day, zone) standard deviation of the crops' use on the days from `d` on."""
        if self.certain:
            return np.zeros((len(ahead.et0_mm), len(self.garden.zones)))
        lead = np.minimum(ahead.lead_days, len(FORECAST_SHARE) - 1).astype(np.int64)
        sd = np.asarray(FORECAST_SHARE)[lead] * np.maximum(ahead.et0_mm, SMALL_ET0_MM)
        return np.asarray(self.kc[d : d + len(sd)] * sd[:, None])

    def _believe(self, d: int, ahead: Ahead) -> None:
        """The terms of the days from `d` on by the forecast, as model M3 to M6 make them of weather."""
        days = slice(d, d + len(ahead.et0_mm))
        believed, standing = self.believed, self.truth.standing[days]
        etc = self.kc[days] * ahead.et0_mm[:, None]
        raw = depletion_fraction(self.p_table[days], etc) * self.truth.taw[days]
        rain = np.nan_to_num(ahead.rain_mm)
        counts = np.where(rain >= SMALL_RAIN_SHARE_OF_ET0 * ahead.et0_mm, rain, 0.0)
        believed.etc[days] = etc
        believed.raw[days] = np.where(standing, raw, self.truth.raw[days])
        believed.trigger[days] = np.where(standing, self.refill_at * raw, np.inf)
        believed.rain_eff[days] = counts[:, None] * self.share[days]


def _rain_share(truth: Terms, rain: Mm) -> Share:
    """(day, zone) share of the rain that reaches the roots; on bare soil the most that it came to."""
    none = np.zeros_like(truth.rain_eff)
    bare = np.divide(truth.rain_eff, rain[:, None], out=none, where=rain[:, None] > 0).max(axis=0)
    return np.where(truth.standing, truth.spread(truth.flat.rain_share), bare)
