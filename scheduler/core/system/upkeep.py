"""Which chores of the drip system are due: filter, flushing, tape age, bucket test, winter drain.

Chores that wear with use are counted in *waterings*: days on which water ran.  A *stretch* is the watering
season as the record shows it: waterings, none more than SEASON_ENDS_AFTER_DAYS after the one before; outside
of one nobody is asked to rinse or to time anything.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import ClassVar, Literal, cast, get_args

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.stands import Stand, stands
from scheduler.core.hydraulics.pipes import flow_at_velocity
from scheduler.model import Garden, Note, Zone

ChoreKind = Literal["tape", "filter", "bucket", "flush", "drain", "row"]
Noted = Mapping[tuple[ChoreKind, str | None], date]
"""When a chore was last done: by kind and zone, None = for the whole garden."""

NO_SOURCE = "common practice, no source"

FILTER_EVERY = 10
"""Waterings between two rinses of the filter (common practice, no source)."""

FLUSH_EVERY = 20
"""Waterings of a zone between two flushes, besides the season's first (common practice, no source)."""

BUCKET_GOOD_FOR = 60
"""Waterings of about a season, after which the flow may be another (common practice, no source)."""

LATER_WATERINGS = 5
"""A chore that was put off comes back after so many waterings (common practice, no source)."""

SEASON_ENDS_AFTER_DAYS = 30
"""So many days without water end a stretch; the next water starts a new one (common practice, no source)."""

REPAIRS_OF_A_ROW = 3
"""A row mended so often wants a look: a stone, a mouse, pressure, or old tape (own choice)."""

NEW_TAPE_NOTICE_DAYS = 14
"""How long before a planting on worn-out tape the reminder comes (common practice, no source)."""

FROST_C = 0.0
"""Water freezes: at this forecast minimum the system is drained."""

NEAR_FROST_C = 2.0
"""At this forecast minimum frost near the ground is possible: be ready (common practice, no source)."""

DRAIN_SILENT_DAYS = 10
"""No draining while a crop will want water within so many days (own choice)."""

FLUSH_M_S = 0.3048
"""1 ft/s at the open end of the tape (UC ANR, maintenance of microirrigation systems)."""

FLUSH_BASIS = (
    f"at season start and every {FLUSH_EVERY} waterings: {NO_SOURCE};"
    " 1 ft/s at the open end: UC ANR, maintenance of microirrigation systems"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chore:
    """One chore that is due; each kind carries what it was judged by."""

    kind: ClassVar[ChoreKind]
    basis: str  # where the interval comes from
    zone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeChore(Chore):
    """New tape is due: the old has carried as many crops as it lasts."""

    kind: ClassVar[ChoreKind] = "tape"
    due: date  # the planting that is one too many
    laid: date
    crop_cycles: float  # crops that the tape lasts
    crops: int  # that it has carried, the one too many among them
    crop: str  # planted on `due`: the one too many
    ahead: bool  # that planting is still to come


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterChore(Chore):
    """The filter is to be rinsed."""

    kind: ClassVar[ChoreKind] = "filter"
    waterings: int  # since the last rinse, or in all
    last: date | None  # noted


@dataclass(frozen=True, slots=True, kw_only=True)
class BucketChore(Chore):
    """The flow is to be timed with a bucket again."""

    kind: ClassVar[ChoreKind] = "bucket"
    waterings: int  # since the last timing, or in all
    last: date | None  # noted


@dataclass(frozen=True, slots=True)
class FlushFlow:
    """How many ends may be open at once, while the zone's rows all go on dripping; 0: not even one."""

    end_lpm: float  # each open end needs
    zone_lpm: float
    usable_lpm: float
    lines_at_once: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlushChore(Chore):
    """The lines are to be flushed through their open ends."""

    kind: ClassVar[ChoreKind] = "flush"
    waterings: int | None  # of the zone since the last flush; None: the season begins
    since: date  # that flush, or the season's begin
    tape: str
    flow: FlushFlow | None  # None: the tape's inside diameter is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChore(Chore):
    """A row is to be looked at: it was mended time and again."""

    kind: ClassVar[ChoreKind] = "row"
    row: int
    repairs: int  # since the tape, these rows, or the last look


@dataclass(frozen=True, slots=True, kw_only=True)
class DrainChore(Chore):
    """The system is to be drained: the forecast minimum of `night` is at or near frost."""

    kind: ClassVar[ChoreKind] = "drain"
    night: date
    tmin_c: float
    frost: bool  # False: near frost


def flush_flow(inside_diameter_m: float, velocity_m_s: float = FLUSH_M_S) -> float:
    """L/min out of the open end of a line at the flushing velocity: area x velocity.

    Source: UC ANR, maintenance of microirrigation systems (1 ft/s or more); gpm = 2.448 d_in^2 v_ft_s.

    >>> round(flush_flow(0.625 * 0.0254) / 3.785411784, 3)  # 5/8 in: published as 1 gpm
    0.956
    """
    return float(flow_at_velocity(velocity_m_s, inside_diameter_m))


def crop_cycles_used(garden: Garden, laid: Mapping[str, date], day: date) -> dict[str, int]:
    """Plantings that stood on each zone's tape from the day it was laid to `day`; each is one crop cycle.

    laid: by zone name, only the zones asked about.
    """
    if not laid:
        return {}
    first = min(laid.values())
    zones = [zone for zone in garden.zones if zone.name in laid]
    found = stands(zones, first, max((day - first).days + 1, 0), garden.location, garden.supply)
    used = dict.fromkeys(laid, 0)
    for stand in found:
        name = zones[stand.zone].name
        if first + timedelta(days=stand.end) > laid[name]:
            used[name] += 1
    return used


def tape_laid(zone: Zone, noted: Noted) -> date | None:
    """The day this zone's tape was laid: garden.yaml's, or the grower's later note."""
    days = [day for day in (zone.tape_laid, noted.get(("tape", zone.name))) if day is not None]
    return max(days, default=None)


def last_noted(notes: Iterable[Note], *, later: bool = False) -> dict[tuple[ChoreKind, str | None], date]:
    """Newest date of each chore among the grower's notes; later: on which it was put off, not done.

    Notes of kind `filter` and `tape` speak for themselves; one of kind `chore` names its own in
    details["chore"], and with details["later"] it is put off.
    """
    found: dict[tuple[ChoreKind, str | None], date] = {}
    for note in notes:
        said = str(note.details.get("chore")) if note.kind == "chore" else note.kind
        if said in get_args(ChoreKind) and bool(note.details.get("later")) == later:
            key = (cast(ChoreKind, said), note.zone)
            found[key] = max(found.get(key, note.day), note.day)
    return found


def row_repairs(notes: Iterable[Note]) -> dict[tuple[str, int], list[date]]:
    """Days on which a cut of a row was mended, by zone and row, of the notes that name their row."""
    found: dict[tuple[str, int], list[date]] = {}
    for note in notes:
        if note.kind == "repair" and note.zone is not None and note.details.get("row"):
            found.setdefault((note.zone, int(note.details["row"])), []).append(note.day)
    return found


def chores_due(
    garden: Garden,
    day: date,
    *,
    noted: Noted,
    watered: Mapping[str, Collection[date]],
    tmin_ahead_c: Mapping[date, float],
    put_off: Noted | None = None,
    water_wanted: bool = False,
    repairs: Mapping[tuple[str, int], Collection[date]] | None = None,
) -> list[Chore]:
    """All chores due on `day`, the most pressing kind first: drain, tape, row, filter, flush, bucket.

    garden: with the plantings as they really were (the grower's notes worked in).
    noted: last date of each chore, see `last_noted`; dates after `day` are ignored.
    watered: by zone, the local dates on which it got water, in any order.
    tmin_ahead_c: forecast minimum by date, degC; nan = unknown.  Dates before `day` are ignored.
    put_off: when a chore was last put off; it is silent for LATER_WATERINGS waterings of the garden.
    water_wanted: a planting will want water within DRAIN_SILENT_DAYS (`wants_water`): nothing is drained.
    repairs: by zone and row, see `row_repairs`.
    """
    job = _Job(garden, day, noted, watered)
    chores = [
        *([] if water_wanted else job.drain(tmin_ahead_c)),
        *job.tape(),
        *job.row(repairs or {}),
        *job.filter(),
        *job.flush(),
        *job.bucket(),
    ]
    return [chore for chore in chores if not job.silent(chore.kind, put_off or {})]


def wants_water(deficit: Mm, *, use: Mm, rain_eff: Mm, trigger: Mm) -> BoolArray:
    """(zone,) Whether a zone comes to its trigger within DRAIN_SILENT_DAYS.

    deficit: (zone,) now; use, rain_eff, trigger: (day, zone) of the days ahead, mm; trigger inf where nothing
    stands.  Days beyond those given go on like their mean, without rain.

    >>> use, trigger = np.full((7, 2), 1.0), np.full((7, 2), 10.2)
    >>> wants_water(np.array([0.5, 0.0]), use=use, rain_eff=np.zeros((7, 2)), trigger=trigger).tolist()
    [True, False]
    """
    wants = np.zeros(len(deficit), dtype=bool)
    dry, beyond = deficit, use.mean(axis=0)
    for day in range(DRAIN_SILENT_DAYS + 1):
        wants |= dry >= trigger[min(day, len(trigger) - 1)]
        dry = np.maximum(dry - rain_eff[day], 0) + use[day] if day < len(use) else dry + beyond
    return wants


def _stretch(dates: Iterable[date], day: date) -> tuple[date, date] | None:
    """First and last watering date of the stretch that still runs on `day`; None where there is none."""
    known = sorted(when for when in dates if when <= day)
    if not known or (day - known[-1]).days >= SEASON_ENDS_AFTER_DAYS:
        return None
    first = known[-1]
    for when in reversed(known):
        if (first - when).days >= SEASON_ENDS_AFTER_DAYS:
            break
        first = when
    return first, known[-1]


def _rows_since(zone: Zone, day: date) -> date | None:
    """The day before the first planting since which the zone's rows lie as they lie now; None: before any."""
    stood = [planting for planting in zone.plantings if planting.planted <= day]
    since: date | None = None
    for planting in reversed(stood):
        if planting.rows != stood[-1].rows:
            break
        since = planting.planted
    return None if since is None or stood[0].planted == since else since - timedelta(days=1)


class _Job:
    def __init__(
        self, garden: Garden, day: date, noted: Noted, watered: Mapping[str, Collection[date]]
    ) -> None:
        self._garden = garden
        self._day = day
        self._noted = {key: when for key, when in noted.items() if when <= day}
        self._watered = watered
        self._all_dates = {when for dates in watered.values() for when in dates if when <= day}
        standing = stands(garden.zones, day, 1, garden.location, garden.supply)
        self._standing: list[tuple[Zone, Stand]] = [(garden.zones[s.zone], s) for s in standing]

    def _last(self, kind: ChoreKind, zone: str | None = None) -> date | None:
        """What was done for the whole garden was done for the zone too."""
        keys: tuple[tuple[ChoreKind, str | None], ...] = ((kind, zone), (kind, None))
        return max((self._noted[key] for key in keys if key in self._noted), default=None)

    def _waterings(self, since: date | None, zone: str | None = None) -> int:
        """Days after `since` on which water ran, in the zone or anywhere; None: all that are known."""
        dates = self._all_dates if zone is None else set(self._watered.get(zone, ()))
        return sum(when <= self._day and (since is None or when > since) for when in dates)

    def silent(self, kind: ChoreKind, put_off: Noted) -> bool:
        asked = [when for (what, _), when in put_off.items() if what == kind and when <= self._day]
        return kind != "drain" and bool(asked) and self._waterings(max(asked)) < LATER_WATERINGS

    def tape(self) -> Iterable[Chore]:
        """Tape past the crops it lasts, or about to be planted on once too often."""
        laid = {zone.name: tape_laid(zone, self._noted) for zone in self._garden.zones}
        known = {name: when for name, when in laid.items() if when is not None and when <= self._day}
        soon = self._day + timedelta(days=NEW_TAPE_NOTICE_DAYS)
        used = crop_cycles_used(self._garden, known, soon)
        growing = {zone.name for zone, _ in self._standing}
        for zone in self._garden.zones:
            lasts, since = zone.tape.crop_cycles, known.get(zone.name)
            if lasts is None or since is None or used[zone.name] <= lasts:
                continue
            worn = [p for p in zone.plantings if p.planted <= soon][math.floor(lasts) - used[zone.name] :]
            ahead = [p for p in worn if p.planted > self._day]
            if not ahead and zone.name not in growing:
                continue  # nothing to be done for it before the next planting
            yield TapeChore(
                due=worn[0].planted,
                basis="crop_cycles of the tape in garden.yaml",
                zone=zone.name,
                laid=since,
                crop_cycles=lasts,
                crops=used[zone.name],
                crop=worn[0].crop.name,
                ahead=bool(ahead),
            )

    def row(self, repairs: Mapping[tuple[str, int], Collection[date]]) -> Iterable[Chore]:
        """Rows mended time and again since they were looked at, on the tape and in the rows that lie now."""
        zones = {zone.name: zone for zone in self._garden.zones}
        looked = self._last("row")
        for (name, row), days in sorted(repairs.items()):
            if name not in zones:
                continue
            begins = (looked, tape_laid(zones[name], self._noted), _rows_since(zones[name], self._day))
            since = max((day for day in begins if day is not None), default=date.min)
            count = sum(since < when <= self._day for when in days)
            if count >= REPAIRS_OF_A_ROW:
                basis = f"{REPAIRS_OF_A_ROW} repairs of a row: own choice"
                yield RowChore(basis=basis, zone=name, row=row, repairs=count)

    def filter(self) -> Iterable[Chore]:
        last = self._last("filter")
        waterings = self._waterings(last)
        if waterings >= FILTER_EVERY and _stretch(self._all_dates, self._day):
            basis = f"every {FILTER_EVERY} waterings: {NO_SOURCE}"
            yield FilterChore(basis=basis, waterings=waterings, last=last)

    def bucket(self) -> Iterable[Chore]:
        """Only in the watering season: nobody times a bucket in winter."""
        last = self._last("bucket")
        waterings = self._waterings(last)
        if waterings >= BUCKET_GOOD_FOR and _stretch(self._all_dates, self._day):
            basis = f"once a season, {BUCKET_GOOD_FOR} waterings: {NO_SOURCE}"
            yield BucketChore(basis=basis, waterings=waterings, last=last)

    def flush(self) -> Iterable[Chore]:
        for zone, stand in self._standing:
            begins = self._season_begin(zone, stand)
            if begins is None:
                continue
            last = self._last("flush", zone.name)
            if last is not None and last <= begins - timedelta(days=SEASON_ENDS_AFTER_DAYS):
                last = None  # of an earlier season
            waterings = None if last is None else self._waterings(last, zone.name)
            if waterings is None or waterings >= FLUSH_EVERY:
                yield FlushChore(
                    basis=FLUSH_BASIS,
                    zone=zone.name,
                    waterings=waterings,
                    since=last or begins,
                    tape=zone.tape.name,
                    flow=self._flush_flow(zone, stand),
                )

    def _season_begin(self, zone: Zone, stand: Stand) -> date | None:
        """A new crop is flushed before its first water; older ones wait until they are watered again."""
        stretch = _stretch(self._watered.get(zone.name, ()), self._day)
        if stretch is not None:
            return stretch[0]
        planted = stand.planting.planted
        return planted if (self._day - planted).days < SEASON_ENDS_AFTER_DAYS else None

    def _flush_flow(self, zone: Zone, stand: Stand) -> FlushFlow | None:
        if zone.tape.inside_diameter_m is None:
            return None
        each, usable = flush_flow(zone.tape.inside_diameter_m), self._garden.supply.usable_lpm
        lines = stand.planting.rows.count * stand.planting.rows.tapes
        at_once = math.floor((usable - stand.delivery.flow_lpm) / each + 1e-9)
        return FlushFlow(each, stand.delivery.flow_lpm, usable, min(max(at_once, 0), lines))

    def drain(self, tmin_ahead_c: Mapping[date, float]) -> Iterable[Chore]:
        """Before the first frost night ahead; silent once drained, until water has run again."""
        drained = self._last("drain")
        if drained is not None and drained >= max(self._all_dates, default=drained):
            return
        known = sorted((when, tmin) for when, tmin in tmin_ahead_c.items() if when >= self._day)
        ahead = [(when, tmin) for when, tmin in known if tmin <= NEAR_FROST_C]
        frost = next(((when, t) for when, t in ahead if t <= FROST_C), None)
        if not ahead:
            return
        when, tmin = frost or ahead[0]
        yield DrainChore(
            basis=f"forecast minimum of {FROST_C:g} C, warning from {NEAR_FROST_C:g} C: {NO_SOURCE}",
            night=when,
            tmin_c=tmin,
            frost=frost is not None,
        )
