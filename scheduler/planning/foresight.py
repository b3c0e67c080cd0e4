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

from scheduler.core.arrays import Minutes, Mm, Share
from scheduler.core.balance.et import fill, reference_et
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, percolation, step, stress_coefficient
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import SMALL_RAIN_SHARE_OF_ET0, Terms, depletion_fraction, terms
from scheduler.core.hours.runs import Ask, into_hours, watering_window
from scheduler.core.quality.checks import examine
from scheduler.core.quality.remarks import remarks
from scheduler.core.uncertainty.sources import FORECAST_SHARE, SMALL_ET0_MM
from scheduler.core.week.inputs import SoilAhead
from scheduler.core.week.problem import DAYS
from scheduler.model import Garden, WeatherDays
from scheduler.planning.day_rules import rules_from, supply_on
from scheduler.planning.forecasts import Ahead, Forecasts, Foreseen
from scheduler.planning.season import Season, season_span, stretched
from scheduler.planning.today import days_to_next_morning, valve_asks
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
            used_l=dawn.used_l, soil=SoilAhead(dawn.chance, etc_sd=dawn.etc_sd),
        )  # fmt: skip
        _, plan = planned(week, seconds=self.seconds, solver=self.solver, why_short=False)
        self.methods[plan.method] += 1
        return np.asarray(plan.minutes[0])


def within_supply(dawn: Dawn) -> Minutes:
    """Each zone by its own trigger, cut to what today's hours, caps and flow allow, the thirstiest first."""
    garden, zones, need = dawn.garden, dawn.garden.zones, dawn.need
    minutes = np.zeros(len(zones))
    if not rules_from(garden.supply, dawn.today)[0].allowed:
        return minutes
    supply = supply_on(garden.supply, dawn.today, dawn.used_l)
    window = watering_window(dawn.today, supply.hours_from, supply.hours_until, garden.location.timezone)
    flow = np.array([*(s.delivery.flow_lpm for s in dawn.terms.stands), 0.0])[dawn.terms.stand[dawn.day]]
    asks = valve_asks(
        zones, need, lambda z: Ask(zones[z].name, float(need.minutes[z]), float(flow[z]), 0.0, 0.0)
    )
    runs, _ = into_hours(asks, supply, window, earliest=window[0])
    index = {zone.name: z for z, zone in enumerate(zones)}
    for run in runs:
        minutes[index[run.zone]] += run.minutes
    return minutes


# --- what a morning believes ---------------------------------------------------------------------


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
    longer = stretched(weather, first, last + timedelta(days=DAYS))
    count, offset = (last - first).days + 1, (first - longer.first).days
    et = fill(reference_et(longer, garden.location), first, last + timedelta(days=DAYS))
    rain = longer.rain_mm[offset : offset + count + DAYS]
    dry = np.where(rain >= 0, rain, 0.0)
    et0 = et.et0_mm[offset : offset + count + DAYS]

    def laid_out(days: int) -> Terms:
        return terms(
            garden.zones, first, et0[:days], dry[:days], location=garden.location, supply=garden.supply
        )

    truth = laid_out(count + DAYS)
    source: Foreseen | Forecasts
    if mode != "forecast":
        source = Foreseen(et0, dry, 1.0 if mode == "perfect" else 0.0)
    else:
        assert issues
        source = Forecasts(garden, issues, first, et.et0_mm, et.first)
    planner = decide or (within_supply if mode == "none" else Planner())
    walk = _Walk(garden, truth, first, count, et0, dry, source)
    balance = walk.run(planner)
    missing = int(np.count_nonzero(~(rain[:count] >= 0)))
    notices = [*weather.notices, *remarks(examine(weather, garden.location, source="weather file"))]
    if missing:
        notices.append(f"rain missing on {missing} of {count} days: counted as 0")
    standing = laid_out(count)
    if not standing.standing.any():
        notices.append(f"no planting stands between {first} and {last}: nothing was watered")
    foresight: Foresight = {"mode": mode}
    if isinstance(planner, Planner):
        foresight["mornings"] = dict(planner.methods)
    return Season(first, last, et, standing, balance, dry[:count], tuple(notices), foresight)


class _Walk:
    """Morning after morning: believe, decide, water, and let the true day pass."""

    def __init__(
        self,
        garden: Garden,
        truth: Terms,
        first: date,
        count: int,
        et0: Mm,
        rain: Mm,
        source: Foreseen | Forecasts,
    ) -> None:
        self.garden, self.truth, self.first, self.count = garden, truth, first, count
        self.et0, self.rain, self.source = et0, rain, source
        self.rule = RefillRule.of(garden.zones)
        self.believed = replace(
            truth,
            etc=truth.etc.copy(),
            raw=truth.raw.copy(),
            trigger=truth.trigger.copy(),
            rain_eff=truth.rain_eff.copy(),
        )
        flat = truth.flat
        self.kc, self.p_table = truth.spread(flat.kc), truth.spread(flat.p_table)
        self.share = truth.spread(flat.rain_share)
        bare = np.divide(
            truth.rain_eff, rain[:, None], out=np.zeros_like(truth.rain_eff), where=rain[:, None] > 0
        ).max(axis=0)
        self.share = np.where(truth.standing, self.share, bare)
        self.refill_at = np.array([zone.refill_at for zone in garden.zones])
        self.flow = np.array([*(s.delivery.flow_lpm for s in truth.stands), 0.0])[truth.stand]
        self.certain = isinstance(source, Foreseen)

    def run(self, decide: Decide) -> Balance:
        truth, count = self.truth, self.count
        width = len(self.garden.zones)
        deficit = np.zeros(width)
        start, end, given, minutes, eta = (np.zeros((count, width)) for _ in range(5))
        slope = truth.etc / (truth.taw - truth.raw)
        begins: dict[int, list[int]] = {}
        for day, zone in truth.begins:
            begins.setdefault(day, []).append(zone)
        known = np.zeros((count, width), dtype=bool)
        begun = np.zeros(width, dtype=bool)
        used: dict[date, float] = {}
        for d in range(count):
            for z in begins.get(d, ()):
                carried = deficit[z] if begun[z] else self.garden.zones[z].starting_deficit_mm
                deficit[z], begun[z] = min(carried, truth.taw[d, z]), True
            start[d], known[d] = deficit, begun
            today = self.first + timedelta(days=d)
            if today.day == 1:
                used.clear()
            if truth.standing[d].any():
                minutes[d] = decide(self._dawn(d, today, deficit, used))
            given[d] = net_of_minutes(minutes[d], truth.minutes_per_mm[d], self.rule.limits.fill)
            given[d] = np.where(minutes[d] > 0, given[d], 0.0)
            used[today] = float(minutes[d] @ self.flow[d])
            deficit, eta[d] = step(
                deficit, irrigation=given[d], rain_eff=truth.rain_eff[d], etc=truth.etc[d],
                taw=truth.taw[d], slope=slope[d],
            )  # fmt: skip
            end[d] = deficit
        here = slice(count)
        drained = percolation(start, irrigation=given, rain_eff=truth.rain_eff[here], eta=eta)
        return Balance(
            start, end, given, minutes, eta,
            stress_coefficient(
                np.maximum(start - given, 0), taw=truth.taw[here], span=truth.taw[here] - truth.raw[here]
            ),
            np.where(truth.standing[here], drained, 0.0), known,
        )  # fmt: skip

    def _dawn(self, d: int, today: date, deficit: Mm, used: Mapping[date, float]) -> Dawn:
        ahead = self.source.ahead(d)
        etc_sd = np.zeros((len(ahead.et0_mm), len(deficit)))
        if not self.certain:
            self._believe(d, ahead)
            lead = np.minimum(ahead.lead_days, len(FORECAST_SHARE) - 1).astype(np.int64)
            sd = np.asarray(FORECAST_SHARE)[lead] * np.maximum(ahead.et0_mm, SMALL_ET0_MM)
            etc_sd = self.kc[d : d + len(sd)] * sd[:, None]
        yesterday = float(self.et0[d - 1]) if d and not self.certain else float(self.et0[d])
        morning = Morning(
            et0_yesterday_mm=yesterday,
            rain_so_far_mm=0.0,
            applied_today_mm=np.zeros(len(deficit)),
            forecast_rain_mm=ahead.rain_mm,
            rain_chance=ahead.chance,
            days_to_next_morning=days_to_next_morning(self.garden, today),
            held=np.zeros(len(deficit), dtype=bool),
        )
        need = need_today(self.believed, d, deficit, morning, self.rule)
        return Dawn(self.garden, d, today, self.believed, need, ahead.chance, etc_sd, used)

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
