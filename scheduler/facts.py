"""The season's facts as the daily job reads them: weather, water given, notes, earlier plans."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from scheduler.errors import BadInput
from scheduler.model import (
    Applied,
    Garden,
    Note,
    Planting,
    Run,
    StoredPlan,
    WeatherDays,
    WeatherValue,
    Zone,
)
from scheduler.weather import days as weather_days

if TYPE_CHECKING:
    from scheduler.core.quality import Flag
    from scheduler.store.store import Store

DAYS_AHEAD = 7
RECENT_DAYS = 7
LOOK_BACK_DAYS = 60
"""Quality control sees that much more than the balance: slow faults show over weeks."""
LEARN_DAYS = 60
"""So far back forecasts are held against what came."""
ASK_BACK_DAYS = 7
"""Runs older than this that nobody answered for count as not given, without asking again."""

MakePlanting = Callable[[Zone, str, date], Planting]


@dataclass(frozen=True, slots=True)
class Facts:
    start: date  # the first day whose water is known: earlier ones are never replayed as dry
    day: date
    zones: tuple[Zone, ...]  # the garden's, with the grower's planted and pulled notes
    weather: WeatherDays  # all stored days, up to DAYS_AHEAD after `day`
    rain_so_far_mm: float | None
    applied: tuple[Applied, ...]  # in force, corrections worked in
    notes: tuple[Note, ...]
    plans: Mapping[date, StoredPlan]  # newest of each day, today's too
    store_replaced: bool
    said: tuple[WeatherValue, ...] = ()  # every word of the forecasts on the days of late, oldest first
    flags: tuple[Flag, ...] = ()  # what quality control set aside or remarks on
    tried: frozenset[tuple[str, int]] = frozenset()  # today's runs that were opened or answered: zone, pulse

    def plan_before(self) -> StoredPlan | None:
        """The newest plan of an earlier day."""
        return max((p for d, p in self.plans.items() if d < self.day), key=lambda p: p.day, default=None)

    def applied_on(self, zone: str, day: date) -> list[Applied]:
        return [a for a in self.applied if a.zone == zone and a.day == day]

    def in_hand(self) -> list[Any]:
        """Today's planned runs, as planned, that were opened and have no record of their water yet."""
        before = self.plans.get(self.day)
        answered = {(a.zone, a.pulse) for a in self.applied if a.day == self.day}
        return [
            run
            for run in (before.page.get("runs", ()) if before else ())
            if (run["zone"], run["pulse"]) in self.tried - answered
        ]

    def liters_by_day(self) -> dict[date, float]:
        """Water run so far, by date, what runs just now counted as planned."""
        used: dict[date, float] = {}
        for record in self.applied:
            used[record.day] = used.get(record.day, 0.0) + record.liters
        now = sum(run["liters"] for run in self.in_hand())
        return used | ({self.day: used.get(self.day, 0.0) + now} if now else {})

    def first_pulse(self, zone: str, kept: Iterable[Run]) -> int:
        """Of a new run today: counted from what was tried, not only from the runs kept in the plan.

        A run that opens while this plan is made then keeps its like from opening.
        """
        pulses = [pulse for name, pulse in self.tried if name == zone]
        return 1 + max([*pulses, *(run.pulse for run in kept if run.zone == zone)], default=0)

    def held(self, zone: str) -> date | None:
        """The date until which the grower keeps this zone dry, if that is still ahead."""
        holds = [n for n in self.notes if n.kind == "hold" and n.zone == zone]
        if not holds:
            return None
        until = date.fromisoformat(str(max(holds, key=lambda n: n.recorded_at).details["until"]))
        return until if until > self.day else None


def gather(garden: Garden, day: date, store: Store, make_planting: MakePlanting | None) -> Facts:
    """Read everything that today's plan rests on. Same store, same garden, same day: same facts."""
    from scheduler.store.openings import tried
    from scheduler.store.store import effective_applied

    start = min(store.first_day or day, day)
    last = day + timedelta(days=DAYS_AHEAD)
    notes = tuple(store.notes())

    found = with_history(garden, store, notes, start, last, today=day)
    return Facts(
        start=start,
        day=day,
        zones=with_notes(garden.zones, notes, make_planting),
        weather=found.weather,
        rain_so_far_mm=found.rain_so_far_mm,
        applied=tuple(effective_applied(store.applied(start, day))),
        notes=notes,
        plans={plan.day: plan for plan in store.plans(day - timedelta(days=2 * ASK_BACK_DAYS), day)},
        store_replaced=store.replaced_on(day),
        said=tuple(
            store.weather_said(day - timedelta(days=LEARN_DAYS), day - timedelta(days=1), kind="forecast")
        ),
        flags=found.flags,
        tried=frozenset((zone, pulse) for _, zone, pulse in tried(store, day, day)),
    )


@dataclass(frozen=True, slots=True)
class Believed:
    """Weather as the sources give it, after quality control and with the grower's gauge."""

    weather: WeatherDays
    rain_so_far_mm: float | None
    flags: tuple[Flag, ...]  # some are of days before: a slow fault shows over weeks


def with_history(
    garden: Garden, store: Store, notes: Iterable[Note], first: date, last: date, *, today: date
) -> Believed:
    """As `believed`, from some days before `first`, or years where their mean has to stand in for a day."""
    found = believed(garden, store, notes, first - timedelta(days=RECENT_DAYS + 1), last, today=today)
    span = store.weather_span()
    if span and span[0] < found.weather.first and not _temperatures_complete(found.weather):
        return believed(garden, store, notes, span[0], last, today=today)
    return found


def believed(
    garden: Garden, store: Store, notes: Iterable[Note], first: date, last: date, *, today: date
) -> Believed:
    """The days first..last: what each source says and quality control lets stand, joined."""
    from scheduler.core.quality_values import sift

    order = [source.name for source in garden.sources]
    readings = [
        weather_days.RainReading(*(n.details["mm"], _moment(n.details["since"]), _moment(n.details["at"])))
        for n in notes
        if n.kind == "rain"
    ]
    sifted = sift(store.weather(first - timedelta(days=LOOK_BACK_DAYS), last), garden.location)
    values = sifted.values
    zone = ZoneInfo(garden.location.timezone)
    joined = values + weather_days.gauge_values(readings, values, zone, today=today, order=order)
    return Believed(
        weather_days.join(joined, first, last, order),
        weather_days.rain_so_far(joined, today, order),
        sifted.flags,
    )


def kind_of(told: str | None) -> str | None:
    """gauge, station, model or forecast, of a word of `WeatherDays.came_from`."""
    return told.rpartition("(")[2].rstrip(")") if told else None


def source_of(told: str | None) -> str | None:
    """The source's name, of a word of `WeatherDays.came_from`."""
    return told.rpartition(" (")[0] or told if told else None


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _temperatures_complete(weather: WeatherDays) -> bool:
    return all(low <= high for low, high in zip(weather.tmin_c, weather.tmax_c, strict=True))


def with_notes(
    zones: Sequence[Zone], notes: Iterable[Note], make_planting: MakePlanting | None
) -> tuple[Zone, ...]:
    """The zones with what the grower really planted and pulled laid over the plan in garden.yaml.

    `planted` moves the planting of that crop whose date is nearest, or adds one on the zone's own rows;
    `pulled` ends the planting that stood on that day.
    """
    out = list(zones)
    for note in notes:
        if note.kind not in ("planted", "pulled"):
            continue
        for i, zone in enumerate(out):
            if zone.name == note.zone:
                changed = (_planted if note.kind == "planted" else _pulled)(zone, note, make_planting)
                out[i] = replace(zone, plantings=tuple(sorted(changed, key=lambda p: p.planted)))
    return tuple(out)


def _planted(zone: Zone, note: Note, make_planting: MakePlanting | None) -> list[Planting]:
    plantings = list(zone.plantings)
    crop = str(note.details["crop"])
    same = [p for p in plantings if p.crop.name == crop]
    if same:
        nearest = min(same, key=lambda p: abs((p.planted - note.day).days))
        plantings[plantings.index(nearest)] = replace(nearest, planted=note.day)
        return plantings
    if make_planting is None:
        raise BadInput(f"{zone.name}: no planting of {crop} in garden.yaml")
    return [*plantings, make_planting(zone, crop, note.day)]


def _pulled(zone: Zone, note: Note, _: MakePlanting | None) -> list[Planting]:
    plantings = list(zone.plantings)
    standing = [p for p in plantings if p.planted < note.day]
    if standing:
        latest = max(standing, key=lambda p: p.planted)
        plantings[plantings.index(latest)] = replace(latest, pulled=note.day)
    return plantings


def digests(garden: Garden, facts: Facts, before: date) -> dict[str, str]:
    """A short digest of each kind of input that a balance up to `before` rests on.

    Two plans whose digests differ say which kind of fact was edited in between.
    """
    keep = max((before - facts.weather.first).days, 0)
    begin = max((facts.start - facts.weather.first).days - 1, 0)
    columns = {
        name: [None if x != x else round(x, 6) for x in getattr(facts.weather, name)[begin:keep].tolist()]
        for name in ("tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s",
                     "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm")
    }  # fmt: skip
    water = [(a.zone, a.day, a.minutes, a.net_mm) for a in facts.applied if a.day < before]
    found = {
        "weather": _digest(columns),
        "water given": _digest(sorted(map(repr, water))),
        "garden": _digest(repr(replace(garden, zones=facts.zones, notices=(), folder="."))),
    }
    soil = [repr((n.zone, n.details)) for n in facts.notes if n.kind == "soil" and n.day < before]
    return found | ({"soil readings": _digest(soil)} if soil else {})


def inputs_digest(garden: Garden, facts: Facts) -> str:
    """Everything today's plan rests on; a second run with the same digest keeps the first plan."""
    ahead = facts.weather
    parts: dict[str, Any] = digests(garden, facts, facts.day + timedelta(days=DAYS_AHEAD + 1))
    if facts.in_hand():
        parts["in hand"] = [repr((run["zone"], run["pulse"])) for run in facts.in_hand()]
    return _digest(
        parts
        | {
            "day": facts.day.isoformat(),
            "rain so far": facts.rain_so_far_mm,
            "chance": [None if x != x else x for x in ahead.rain_chance_pct.tolist()[-DAYS_AHEAD - 1 :]],
            "notes": [repr((n.kind, n.day, n.zone, n.details)) for n in facts.notes if n.kind != "rain"],
            "today": [repr((a.zone, a.minutes, a.net_mm)) for a in facts.applied if a.day == facts.day],
            "unanswered": [repr((d, _planned(p))) for d, p in facts.plans.items() if d < facts.day],
        }
    )


def _planned(plan: StoredPlan) -> list[Any]:
    return [(run["zone"], run["minutes"]) for run in plan.page.get("runs", ())]


def _digest(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
