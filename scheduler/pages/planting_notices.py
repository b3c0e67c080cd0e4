"""What each planting asks of the grower this morning, with the command to type: from sowing to lifting."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import numpy as np

from scheduler.core.balance import surface
from scheduler.core.balance.salt import MOST_LEACHING, steady_ece
from scheduler.core.balance.short_use import short_use
from scheduler.core.balance.sowing import started_by
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.yields import expected_yield
from scheduler.model import Crop, Garden, Notice, Zone
from scheduler.pages.stage_dates import dry_from, drying_rule, last_number, stage_ends
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.shapes.base import Level, NoticeKind
from scheduler.shapes.day import ZoneLine
from scheduler.show import show_depth, show_minutes, show_temperature

WEEK = 7
LAST_DAYS_TOLD = 3
HARVEST_ASKED_DAYS = 21
HOT_C = 30.0
"""Lettuce and spinach come up badly in hotter soil (from memory)."""
SHY_OF_HEAT = ("lettuce", "spinach")
SHORT_SHARE = 0.10
"""Of what the crop wanted in a day; less is not worth a word (own choice)."""


def planting_notices(garden: Garden, facts: Facts, plan: Plan) -> Iterator[Notice]:
    """Of every zone in turn: the planting that stands, then the one that comes tomorrow."""
    for z, zone in enumerate(facts.zones):
        if plan.live.terms.stand[plan.live.today, z] >= 0:
            yield from _Standing(garden, facts, plan, ZoneDay(plan.live, zone, z, plan.live.today)).notices()
    for stand in plan.live.terms.stands:
        if stand.begin == plan.live.today + 1 and stand.day_no == 1:
            yield from _tomorrow(garden, facts, plan, stand)


class _Standing:
    """A planting that stands today."""

    def __init__(self, garden: Garden, facts: Facts, plan: Plan, spot: ZoneDay) -> None:
        self.garden, self.facts, self.plan, self.spot = garden, facts, plan, spot
        self.zone, self.crop, self.name = spot.zone, spot.crop.name, spot.zone.name

    def notices(self) -> Iterator[Notice]:
        yield from self._seedbed()
        yield from self._hot()
        yield from self._stage_seen()
        yield from self._end_of_table()
        yield from self._harvest()
        yield from self._drying()
        yield from self._salt()
        yield from self._short()

    def _notice(self, level: Level, text: str, kind: NoticeKind = "crop") -> Notice:
        return _notice(level, self.zone, text, kind)

    def _seedbed(self) -> Iterator[Notice]:
        need, z, number = self.plan.need, self.spot.z, self.spot.number
        mm = float(need.sprinkle_mm[z])
        if mm > 0:
            depth = show_depth(mm, self.garden.display)
            yield self._notice(
                "look",
                f"sprinkle {depth} over the seed rows, the tape does not wet them. Then: rowwater note "
                f"sprinkled {self.name} {depth.replace(' ', '')}",
                "task",
            )
        if need.seedbed[z] and number % WEEK == 1:
            how = "the seed rows are kept damp" if not mm else "keep the seed rows damp"
            yield self._notice(
                "info",
                f"{self.crop} is not up yet (day {number}): {how}. When it shows: rowwater note emerged "
                f"{self.name}",
            )
        if self._taken_as_up():
            yield self._notice(
                "info",
                f"{self.crop} is taken as up by now: from today it is watered as its roots need. Is it not? "
                "Then keep its rows damp by hand, or sow again",
            )

    def _taken_as_up(self) -> bool:
        """The seedbed ended last night, and nobody saw the row come up."""
        beds, spot = self.spot.live.terms.sowing.seedbed, self.spot
        if beds is None or spot.planting.emerged is not None or spot.d <= spot.stand.begin:
            return False
        return bool(beds[spot.at - 1]) and not beds[spot.at]

    def _hot(self) -> Iterator[Notice]:
        if self.spot.number == 1:
            yield from _sown_in_heat(self.garden, self.facts, self.zone, self.spot.stand, self.facts.day)

    def _stage_seen(self) -> Iterator[Notice]:
        """What was seen since the morning before, and how far that moves the stages to come."""
        before = told_before(self.facts, self.name, self.spot.stand)
        seen = dict(self.spot.planting.observed)
        if before is None or "stage_ends" not in before:
            return
        was: dict[str, str] = before.get("observed", {})
        new = [stage for stage, day in seen.items() if was.get(stage) != day.isoformat()]
        gone = [stage for stage in was if stage not in seen]
        if not new and not gone:
            return
        what = "; ".join(
            [f"{stage} since {_named(seen[stage])} as you saw it" for stage in new]
            + [f"{stage} no longer as you saw it" for stage in gone]
        )
        moved = _moved(before["stage_ends"], stage_ends(self.spot.stand) or [])
        yield self._notice("info", f"{what}. {moved}" if moved else what, "answer")

    def _end_of_table(self) -> Iterator[Notice]:
        stand, today = self.spot.stand, self.facts.day
        last = last_number(stand.fixed.pace, float(stand.fixed.pace.bounds[3]))
        if last is None:
            return
        if self.spot.crop.hold_last_stage:
            past = self.spot.number - last - 1
            if past >= 0 and past % WEEK == 0:
                yield self._notice(
                    "info",
                    f"{self.crop} still grows, past the days of its table: watered as in its last stage. "
                    f"Is it done? rowwater note pulled {self.name}",
                )
            return
        left = last - self.spot.number
        ends = today + timedelta(days=left)
        if 0 <= left < LAST_DAYS_TOLD and not _ended_before(self.spot, ends):
            when = "today is the last day of" if not left else f"{_named(ends)} is the last day of"
            yield self._notice(
                "look" if not left else "info",
                f"{when} the {self.crop} by its table, then it gets no more water. Does it go on? Take out "
                "hold_last_stage: false in garden.yaml",
                "crop" if left else "task",
            )

    def _harvest(self) -> Iterator[Notice]:
        planting, rule = self.spot.planting, drying_rule(self.spot.planting)
        if rule is None or planting.harvest is not None or planting.dry_from is not None:
            return
        begins = dry_from(self.spot.stand)
        if begins is None or not self.facts.day < begins <= self.facts.day + timedelta(HARVEST_ASKED_DAYS):
            return
        if told_lately(self.facts, self.name, HARVEST):
            return
        lifted = begins + timedelta(days=rule.days)
        yield self._notice(
            "info",
            f"{HARVEST} of the {self.crop}? Write it under its planting in garden.yaml (harvest: {lifted}). "
            f"{rule.days} days before, it begins to dry off; without a date, about {_named(begins)}",
        )

    def _drying(self) -> Iterator[Notice]:
        spot, need = self.spot, self.plan.need
        if not need.drying_off[spot.z] or (spot.d > spot.stand.begin and _dries(spot, spot.at - 1)):
            return
        refill_at = spot.live.terms.sowing.refill_at
        sparing = refill_at is not None and np.isfinite(refill_at[spot.at])
        how = "it is watered only when it would suffer" if sparing else "no more water"
        yield self._notice(
            "info",
            f"{self.crop} dries off before it is lifted: from today {how}. Lifted: rowwater note pulled "
            f"{self.name}",
        )

    def _salt(self) -> Iterator[Notice]:
        """Where even leaching at its most leaves the soil too salty."""
        spot, ec = self.spot, self.garden.supply.ec_ds_m
        if ec is None or spot.stand.leaching < MOST_LEACHING or spot.number % (4 * WEEK) != 1:
            return
        none, no_days, ece = (
            np.zeros(0),
            np.zeros(0, dtype=np.int64),
            np.array([steady_ece(ec, MOST_LEACHING)]),
        )
        left = expected_yield(spot.crop, short_use=none, asked=none, stage=no_days, ece=ece).salt or 0.0
        yield self._notice(
            "info",
            f"with water this salty expect about {left:.0%} of a full yield of {self.crop}, however much is "
            "given. Other water, or a crop that stands salt, would help",
            "salt",
        )

    def _short(self) -> Iterator[Notice]:
        """What the crop went without inside yesterday, though the morning had water enough for it."""
        live, z, d = self.spot.live, self.spot.z, self.spot.d - 1
        if d < self.spot.stand.begin or live.balance.ks[d, z] < 1:
            return  # of a dry morning other notices tell
        wanted, short = float(live.terms.use[d, z]), float(short_use(live.terms, live.balance)[d, z])
        if wanted > 0 and short > SHORT_SHARE * wanted:
            yield self._notice(
                "info",
                f"yesterday the {self.crop} could use only {1 - short / wanted:.0%} of what it wanted: its "
                "soil holds too little for such a day. Water by several pulses, or shade, helps",
            )


HARVEST = "when is the harvest"


def told_before(facts: Facts, name: str, stand: Stand) -> ZoneLine | None:
    """The zone's line of the morning before, where it is of the same planting."""
    before = facts.plan_before()
    if before is None:
        return None
    line = next((one for one in before.page["zones"] if one["zone"] == name), None)
    number = (before.day - stand.planting.planted).days + 1
    same = line is not None and line.get("crop") == stand.planting.crop.name and line.get("day") == number
    return line if same else None


def told_lately(facts: Facts, name: str, words: str) -> bool:
    """Whether a morning of the last week said these words of the zone."""
    since = facts.day - timedelta(days=WEEK - 1)
    return any(
        words in notice["text"] and name in notice.get("zones", ())
        for plan in facts.plans.values()
        if since <= plan.day < facts.day
        for notice in plan.page["notices"]
    )


def _moved(before: Sequence[str], now: Sequence[date]) -> str:
    """From when to when the ends of the stages went, those of days that differ."""
    pairs = [
        f"{_named(date.fromisoformat(old))} -> {_named(new)}"
        for old, new in zip(before, now, strict=False)
        if old != new.isoformat()
    ]
    return f"Its stages end: {', '.join(pairs)}" if pairs else ""


def _ended_before(spot: ZoneDay, day: date) -> bool:
    """Another planting, or pulling, ends it before its table does."""
    planting = spot.planting
    others = [p.planted for p in spot.zone.plantings if p.planted > planting.planted]
    return any(end <= day for end in [*others, *([planting.pulled] if planting.pulled else [])])


def _dries(spot: ZoneDay, at: int) -> bool:
    drying = spot.live.terms.sowing.drying
    return drying is not None and bool(drying[at])


def _sown_in_heat(garden: Garden, facts: Facts, zone: Zone, stand: Stand, day: date) -> Iterator[Notice]:
    """Lettuce and spinach sown on a hot day."""
    crop = stand.planting.crop
    i = (day - facts.weather.first).days
    hot = 0 <= i < len(facts.weather) and facts.weather.tmax_c[i] > HOT_C
    if not hot or started_by(stand.planting) != "seed" or not _shy_of_heat(crop):
        return
    top = show_temperature(float(facts.weather.tmax_c[i]), garden.display)
    when = "today" if day == facts.day else "tomorrow"
    yield _notice(
        "look",
        zone,
        f"{top} {when}, and {crop.name} comes up badly in hot soil: sow it at dusk, water it twice a day, "
        "shade it until it is up",
        "task",
    )


def _shy_of_heat(crop: Crop) -> bool:
    names = (crop.name, crop.like or "")
    return any(shy in name for name in names for shy in SHY_OF_HEAT)


def _bed_before(plan: Plan, stand: Stand) -> float:
    """mm that the top layer lacks this morning where tomorrow's rows will stand."""
    live, z = plan.live, stand.zone
    ground, apart = live.terms.ground, live.balance.apart
    assert ground is not None
    which = live.terms.stands.index(stand)
    if np.isfinite(ground.bed[which]):
        return float(ground.bed[which])
    if apart is None or not live.today:
        return 0.0
    layer = apart.surface if ground.same_tape[which] else apart.middle
    return float(layer[live.today - 1, z])


def _notice(level: Level, zone: Zone, text: str, kind: NoticeKind = "crop") -> Notice:
    return Notice(level, f"{zone.name}: {text}", kind, (zone.name,))


def _named(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _tomorrow(garden: Garden, facts: Facts, plan: Plan, stand: Stand) -> Iterator[Notice]:
    zone, live = facts.zones[stand.zone], plan.live
    yield from _sown_in_heat(garden, facts, zone, stand, stand.planting.planted)
    ground = live.terms.ground
    if ground is None:
        return
    _, rew = surface.evaporable(zone.soil)
    dry = _bed_before(plan, stand)
    if not dry > rew or facts.applied_on(zone.name, facts.day):
        return
    minutes = dry * stand.wetted / stand.net_per_minute + zone.fill_time_minutes
    depth = "4 in" if garden.display == "us" else "10 cm"
    length = show_minutes(minutes)
    how = f"note applied {zone.name}" if zone.valve.driver == "by_hand" else f"water {zone.name}"
    yield _notice(
        "look",
        zone,
        f"the bed is dry to {depth} and {stand.planting.crop.name} goes in tomorrow: water it before, about "
        f"{length} (rowwater {how} {length.replace(' ', '')})",
        "task",
    )
