"""Why a zone runs, waits or rests today, in three lines that anybody can read; `working` has the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.model import Garden, Run, Zone
from scheduler.pages.hold import when_again
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.show import show_depth, show_minutes, words


def plain_lines(garden: Garden, facts: Facts, plan: Plan, z: int) -> list[str]:
    """What it lacks and since when, what it can spare, and what today gives it or what it waits for."""
    one = _Zone(garden, facts, plan, z)
    return one.lines() if one.stands else _no_crop(one.zone, facts.day)


def _no_crop(zone: Zone, today: date) -> list[str]:
    ahead = min((p for p in zone.plantings if p.planted > today), key=lambda p: p.planted, default=None)
    following = "No planting is to come in garden.yaml."
    if ahead is not None:
        following = f"The next is {ahead.crop.name}, planned for {_day(ahead.planted)}."
    return [
        f"Nothing grows in {zone.name} today, so it gets no water.",
        following,
        f"If it was planted already: rowwater note planted {zone.name} CROP",
    ]


@dataclass(frozen=True, slots=True)
class _Zone:
    garden: Garden
    facts: Facts
    plan: Plan
    z: int

    @property
    def zone(self) -> Zone:
        return self.facts.zones[self.z]

    @property
    def stands(self) -> bool:
        live = self.plan.live
        return bool(live.terms.stand[live.today, self.z] >= 0)

    @property
    def lacks_mm(self) -> float:
        return float(self.plan.need.deficit_now[self.z])

    @property
    def trigger_mm(self) -> float:
        return float(self.plan.need.trigger[self.z])

    def lines(self) -> list[str]:
        return [self._lacks(), self._spares(), self._today()]

    def _depth(self, mm: float) -> str:
        return show_depth(float(mm), self.garden.display)

    # --- what it lacks ---

    def _lacks(self) -> str:
        facts, live = self.facts, self.plan.live
        now = f"the root zone lacks {self._depth(self.lacks_mm)}"
        since, told = self._since()
        begin = max((since - live.start).days, 0)
        if begin >= live.today:
            if since < facts.day or told:
                return f"{told}: {now}."
            by = "" if self.zone.starting_deficit_mm is not None else " by the weather of the weeks before"
            return (
                f"First day of the record: it is taken{by} that {now} "
                f"(starting_deficit in garden.yaml, or dig and: rowwater note soil {self.zone.name} ...)."
            )
        days = slice(begin, live.today)
        used = self._used(days)
        rain = float(np.nansum(live.terms.rain_eff[days, self.z]))
        fell = f"rain brought {self._depth(rain)}" if rain > 0 else "no rain counted"
        return f"{told} the crop used {used}, {fell}: {now}."

    def _used(self, days: slice) -> str:
        """By the crop; where it is kept apart, what the soil lost beside."""
        live, apart = self.plan.live, self.plan.live.balance.apart
        if apart is None or live.terms.ground is None:
            return self._depth(np.nansum(live.balance.eta[days, self.z]))
        crop, soil = (float(np.nansum(a[days, self.z])) for a in (apart.use, apart.evaporation))
        return f"{self._depth(crop)} and {self._depth(soil)} evaporated"

    def _since(self) -> tuple[date, str]:
        """The day from which the losses are counted, and what it is; "" where the record begins today."""
        facts, live = self.facts, self.plan.live
        given = [a for a in facts.applied if a.zone == self.zone.name and a.net_mm > 0 and a.day <= facts.day]
        stand = live.terms.stands[int(live.terms.stand[live.today, self.z])]
        planted = max(stand.planting.planted, live.start)
        if given and max(a.day for a in given) >= planted:
            last = max(a.day for a in given)
            water = self._depth(sum(a.net_mm for a in given if a.day == last))
            if last == facts.day:
                return last, f"It was watered this morning ({water})"
            return last, f"Since the water of {_day(last)} ({water})"
        if planted < facts.day:
            what = "the planting" if planted == stand.planting.planted else "the record's begin"
            return planted, f"Since {what} on {_day(planted)}"
        return planted, "Planted today" if stand.planting.planted == facts.day > live.start else ""

    # --- what it can spare ---

    def _spares(self) -> str:
        if not np.isfinite(self.trigger_mm):
            return "It dries off before it is lifted, so nothing makes water due."
        trigger, raw = self._depth(self.trigger_mm), self._depth(float(self.plan.need.raw[self.z]))
        if self.lacks_mm >= self.trigger_mm:
            return f"Water is due from {trigger} on, so it is due; from {raw} on the crop suffers."
        return f"Water is due from {trigger} on, so it is not due yet; from {raw} on the crop suffers."

    # --- what today gives ---

    def _today(self) -> str:
        if until := self.facts.held(self.zone.name):
            return f"On hold until {_day(until)}: {when_again(self.garden, until)}."
        runs = [run for run in self.plan.schedule.runs if run.zone == self.zone.name]
        if runs:
            return f"{self._runs(runs)}{self._limit()}."
        if (mm := float(self.plan.need.sprinkle_mm[self.z])) > 0:
            return (
                f"Sprinkle {self._depth(mm)} over the seed rows by hand, the tape does not wet them, and say "
                f"so: rowwater note sprinkled {self.zone.name} {self._depth(mm).replace(' ', '')}"
            )
        if self.plan.waits[self.z]:
            rain, etc = float(self.plan.need.outlook_rain), float(self.plan.need.outlook_etc[self.z])
            return (
                f"It waits for rain: {self._depth(rain)} is expected before the next allowed morning, and if "
                f"none comes it still does without harm ({self._depth(etc)} more is used until then)."
            )
        if limit := self._limit():
            return f"It gets nothing today{limit}{self._next()}."
        return f"It rests today{self._next()}."

    def _runs(self, runs: list[Run]) -> str:
        net = self._depth(sum(run.net_mm for run in runs))
        minutes = show_minutes(sum(run.minutes for run in runs))
        how = "Open it by hand" if self.zone.valve.driver == "by_hand" else "It runs"
        pulses = f" in {len(runs)} pulses" if len(runs) > 1 else ""
        return f"{how} at {runs[0].start:%H:%M} for {minutes}{pulses}, which gives {net}{self._early()}"

    def _early(self) -> str:
        """Why it runs though no deficit asks for it."""
        need, z = self.plan.need, self.z
        if need.planting_day[z]:
            return ": it is planting day"
        if need.seedbed[z] and need.least_minutes[z] > 0:
            return ", to keep the seed damp until it is up"
        if self.lacks_mm >= self.trigger_mm:
            return ""
        if need.least_minutes[z] > 0:
            return ", before it is due: the plants settle in"
        return ", before it is due: later mornings have less room"

    def _limit(self) -> str:
        for unmet in self.plan.schedule.unmet:
            if unmet.zone == self.zone.name:
                why = words(unmet.why, unmet.numbers, self.garden.display)
                return f"; it goes {self._depth(unmet.net_mm)} short: {why}"
        return ""

    def _next(self) -> str:
        ahead = self.plan.outlook
        if ahead is None:
            return ""
        minutes = ahead.plan.minutes[:, self.z]
        later = np.flatnonzero(minutes[1:] > 0)
        if not later.size:
            return f"; no water is planned for it up to {_day(ahead.day(len(minutes) - 1))}"
        k = int(later[0]) + 1
        return f"; next likely {_day(ahead.day(k))}, {show_minutes(float(minutes[k]))}"


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"
