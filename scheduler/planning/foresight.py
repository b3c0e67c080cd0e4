"""A season in which each morning's water is planned a week ahead, on a forecast or on the weather to come.

The balance always goes by the true weather.  Each morning is decided as the live one is: the same week, the
same planner, hours, days, caps and flow of garden.yaml.  Rule and doubt differ in what the simulation knows:
last night's deficit is exact here, and with perfect foresight so is the week.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Literal

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm, Share
from scheduler.core.balance.apart import ByRule
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, run, stress_coefficient
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import SMALL_RAIN_SHARE_OF_ET0, Terms, depletion_fraction
from scheduler.core.hours.runs import Ask
from scheduler.core.hours.windows import watering_windows
from scheduler.core.uncertainty.sources import FORECAST_SHARE, SMALL_ET0_MM
from scheduler.core.week.inputs import SoilAhead
from scheduler.core.week.loss import suffered_days
from scheduler.core.week.problem import DAYS
from scheduler.model import Garden, Location, WeatherDays
from scheduler.planning.day_rules import rules_from, supply_on
from scheduler.planning.forecasts import Ahead, Forecasts, Foreseen
from scheduler.planning.season import (
    Season,
    SpanWeather,
    season_notices,
    season_span,
    starting_deficits,
    weather_of,
)
from scheduler.planning.shortage import urgency
from scheduler.planning.today import days_to_next_morning, planned_runs, valve_asks
from scheduler.planning.week import planned, week_ahead
from scheduler.shapes.season import Foresight

Mode = Literal["none", "forecast", "perfect"]
AHEAD_DAYS = DAYS
"""After a season's last day: its last mornings look at them."""
MORNING_SECONDS = 5.0
"""The most that the solver may take for a simulated morning, where it is asked at all."""


@dataclass(frozen=True)
class Dawn:
    """A simulated morning: all that a strategy may look at."""

    garden: Garden
    day: int
    today: date
    terms: Terms  # as believed from `day` on
    by_rule: ByRule  # last night's soil, and the minutes of models M6 and M10 with today's true weather
    look: Callable[[], Need]
    chance: Share
    etc_sd: Mm  # (day, zone)
    used_l: Mapping[date, float]  # of this month so far
    suffered_days: FloatArray  # (zone,) as `SoilAhead` has it

    @cached_property
    def need(self) -> Need:
        """Model M6 as the live morning sees it; worked out when it is asked for."""
        return self.look()


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
        garden, zones, wanted = dawn.garden, dawn.garden.zones, dawn.by_rule.minutes
        minutes = np.zeros(len(zones))
        if not wanted.any() or not rules_from(garden.supply, dawn.today)[0].allowed:
            return minutes
        need = replace(dawn.need, minutes=wanted)
        supply = supply_on(garden.supply, dawn.today, dawn.used_l)
        windows = watering_windows(dawn.today, supply.hours, garden.location.timezone)
        flow = _flows_lpm(dawn.terms, dawn.day)
        asks = valve_asks(
            zones,
            dawn.terms,
            dawn.day,
            need,
            urgency(zones, need, dawn.terms.taw[dawn.day], dawn.suffered_days),
            lambda z: Ask(zones[z].name, float(wanted[z]), float(flow[z]), 0.0, 0.0),
        )
        runs, _ = planned_runs(asks, supply, windows, earliest=windows[0][0])
        index = {zone.name: z for z, zone in enumerate(zones)}
        for planned_run in runs:
            minutes[index[planned_run.zone]] += planned_run.minutes
        self.short.update(zones[z].name for z in np.flatnonzero(minutes < wanted).tolist())
        return minutes


def _flows_lpm(terms: Terms, day: int) -> FloatArray:
    """(zone,) of what stands on a day; bare soil has none."""
    return np.array([terms.stands[k].delivery.flow_lpm if k >= 0 else 0.0 for k in terms.stand[day].tolist()])


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
    span = weather_ahead(garden.location, weather, first, last)
    season = ahead_on(garden, span, mode, issues=issues, decide=decide)
    notices = season_notices(garden, replace(span, weather=weather), season.terms, season.balance)
    return replace(season, notices=notices)


def weather_ahead(location: Location, weather: WeatherDays, first: date, last: date) -> SpanWeather:
    """The weather of first..last and of the week after, which the last mornings look at; errors as above."""
    return weather_of(location, weather, first, last + timedelta(days=AHEAD_DAYS))


def ahead_on(
    garden: Garden,
    span: SpanWeather,
    mode: Mode,
    *,
    issues: Mapping[date, WeatherDays] | None = None,
    decide: Decide | None = None,
) -> Season:
    """`simulate_ahead` on a `weather_ahead`, without a look at the weather file: no notices."""
    count = len(span.et0_mm) - AHEAD_DAYS
    last = span.first + timedelta(days=count - 1)
    source = _source(garden, span, mode, issues)
    planner = decide or (WithinSupply() if mode == "none" else Planner())
    season_terms = span.terms(garden, count)
    balance = _Walk(garden, span, season_terms, source, planner).run()
    foresight: Foresight = {"mode": mode}
    if isinstance(planner, Planner):
        foresight["mornings"] = dict(planner.methods)
    short = dict(planner.short) if isinstance(planner, WithinSupply) else None
    return Season(
        span.first, last, span.et, season_terms, balance, span.rain_mm[:count], (), foresight,
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

    def __init__(
        self,
        garden: Garden,
        span: SpanWeather,
        true_terms: Terms,
        source: Foreseen | Forecasts,
        decide: Decide,
    ) -> None:
        self.garden, self.span, self.source, self.decide = garden, span, source, decide
        self.terms = true_terms
        self.rule = RefillRule.of(garden.zones)
        self.believed = Belief(garden, span)
        self.certain = isinstance(source, Foreseen)
        self.used_l: dict[date, float] = {}
        self.lack = np.zeros(true_terms.stand.shape)

    def run(self) -> Balance:
        return run(
            self.terms, starting_deficit=starting_deficits(self.garden), rule=self.rule, decide=self._morning
        )

    def _morning(self, by_rule: ByRule) -> Minutes:
        """(zone,) minutes of a morning, as they were decided; its water is counted."""
        d = by_rule.day
        today = self.span.first + timedelta(days=d)
        month = today.replace(day=1)
        self.used_l = {day: used for day, used in self.used_l.items() if day >= month}
        minutes = self.decide(self._dawn(by_rule, today))
        given = net_of_minutes(minutes, by_rule.minutes_per_mm, self.rule.limits.fill)
        self.used_l[today] = float(minutes @ _flows_lpm(self.terms, d))
        taw, watered = self.terms.taw[d], np.maximum(by_rule.deficit - given, 0)
        self.lack[d] = 1 - stress_coefficient(watered, taw=taw, span=taw - self.terms.raw[d])
        return minutes

    def _dawn(self, by_rule: ByRule, today: date) -> Dawn:
        d = by_rule.day
        ahead = self.source.ahead(d)
        if not self.certain:
            self.believed.follow(d, ahead)
        etc_sd = np.zeros((len(ahead.et0_mm), len(by_rule.deficit)))
        return Dawn(
            self.garden, d, today, self.believed.terms, by_rule, lambda: self._need(by_rule, today, ahead),
            ahead.chance, etc_sd if self.certain else self.believed.etc_sd(d, ahead), self.used_l,
            suffered_days(self.lack[:d]),
        )  # fmt: skip

    def _need(self, by_rule: ByRule, today: date, ahead: Ahead) -> Need:
        d, none = by_rule.day, np.zeros(len(by_rule.deficit))
        morning = Morning(
            et0_yesterday_mm=float(self.span.et0_mm[d - 1 if d and not self.certain else d]),
            rain_so_far_mm=0.0,
            applied_today_mm=none,
            forecast_rain_mm=ahead.rain_mm,
            rain_chance=ahead.chance,
            days_to_next_morning=days_to_next_morning(self.garden, today),
            held=none > 0,
            surface_mm=None if self.terms.ground is None else by_rule.layer[0],
            leaching=by_rule.leaching,
        )
        return need_today(self.believed.terms, d, by_rule.deficit, morning, self.rule)


class Belief:
    """What the mornings believe of the days ahead: the true terms, but for what a forecast says otherwise.

    Stages, roots and the climate that coefficients follow stay the true ones: a week hardly moves them.
    """

    def __init__(self, garden: Garden, span: SpanWeather) -> None:
        self.truth = truth = span.terms(garden)
        flat, ground = copy(truth.flat), truth.ground
        flat.et0 = flat.et0.copy()
        self.terms = replace(
            truth,
            etc=truth.etc.copy(),
            use=truth.use.copy(),
            raw=truth.raw.copy(),
            trigger=truth.trigger.copy(),
            rain_eff=truth.rain_eff.copy(),
            flat=flat,
        )
        self.by_day = np.argsort(flat.day, kind="stable")  # places of standing zone-days, day after day
        self.day_at = np.searchsorted(flat.day[self.by_day], np.arange(len(truth.stand) + 1))
        self.et0_share = truth.spread(flat.et0_share, 1.0)
        kcb, ke = (flat.kc, 0.0) if ground is None else (ground.kcb, ground.most_ke)
        self.kcb = truth.spread(kcb * flat.et0_share)
        self.kc = truth.spread((kcb + ke) * flat.et0_share)
        self.p_table = truth.spread(flat.p_table)
        self.drawn_from = np.ones(truth.stand.shape) if ground is None else truth.spread(flat.spread, 1.0)
        self.refill_at = np.divide(truth.trigger, truth.raw, out=np.ones_like(truth.raw), where=truth.raw > 0)
        self.rain_share = _rain_share(truth, span.rain_mm)

    def follow(self, d: int, ahead: Ahead) -> None:
        """The terms of the days from `d` on by the forecast, as models M3 to M6 make them of weather."""
        days = slice(d, d + len(ahead.et0_mm))
        terms, standing, et0 = self.terms, self.truth.standing[days], ahead.et0_mm[:, None]
        use = self.kcb[days] * et0
        raw = depletion_fraction(self.p_table[days], use / self.drawn_from[days]) * self.truth.taw[days]
        rain = np.nan_to_num(ahead.rain_mm)[:, None]
        counts = np.where(rain >= SMALL_RAIN_SHARE_OF_ET0 * self.et0_share[days] * et0, rain, 0.0)
        terms.etc[days], terms.use[days] = self.kc[days] * et0, use
        terms.raw[days] = np.where(standing, raw, self.truth.raw[days])
        terms.trigger[days] = np.where(standing, self.refill_at[days] * terms.raw[days], np.inf)
        terms.rain_eff[days] = counts * self.rain_share[days]
        flat, here = terms.flat, self.by_day[self.day_at[d] : self.day_at[days.stop]]
        flat.et0[here] = ahead.et0_mm[flat.day[here] - d] * flat.et0_share[here]

    def etc_sd(self, d: int, ahead: Ahead) -> Mm:
        """(day, zone) standard deviation of ETc on the days from `d` on."""
        lead = np.minimum(ahead.lead_days, len(FORECAST_SHARE) - 1).astype(np.int64)
        sd = np.asarray(FORECAST_SHARE)[lead] * np.maximum(ahead.et0_mm, SMALL_ET0_MM)
        return np.asarray(self.kc[d : d + len(sd)] * sd[:, None])


def _rain_share(truth: Terms, rain: Mm) -> Share:
    """(day, zone) share of the rain that reaches the roots; on bare soil the most that it came to."""
    none = np.zeros_like(truth.rain_eff)
    bare = np.divide(truth.rain_eff, rain[:, None], out=none, where=rain[:, None] > 0).max(axis=0)
    return np.where(truth.standing, truth.spread(truth.flat.rain_share * ~truth.flat.sheltered), bare)
