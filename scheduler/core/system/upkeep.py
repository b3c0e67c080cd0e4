"""Which chores of the drip system are due: filter, flushing, tape age, bucket test, winter drain.

A *stretch* is the watering season as the record shows it: dates with water, none more than
SEASON_ENDS_AFTER_DAYS after the one before.  Chores that wear with use are counted within a stretch, so that
a winter without water leaves no filter overdue by five months.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Literal, cast, get_args

from scheduler.core.balance.terms import Stand, stands
from scheduler.core.hydraulics.pipes import flow_at_velocity
from scheduler.model import Garden, Note, Zone

ChoreKind = Literal["tape", "filter", "bucket", "flush", "drain"]
Noted = Mapping[tuple[ChoreKind, str | None], date]
"""When a chore was last done: by kind and zone, None = for the whole garden."""

NO_SOURCE = "common practice, no source"

FILTER_EVERY_DAYS = 14
"""Days of a stretch between two rinses of the filter (common practice, no source)."""

FLUSH_EVERY_DAYS = 30
"""Days of a stretch between two flushes, besides the one at its start (common practice, no source)."""

SEASON_ENDS_AFTER_DAYS = 30
"""So many days without water end a stretch; the next water starts a new one (common practice, no source)."""

BUCKET_GOOD_FOR_DAYS = 180
"""A season: wells and hoses change, so the flow is timed again after it (common practice, no source)."""

NEW_TAPE_NOTICE_DAYS = 14
"""How long before a planting on worn-out tape the reminder comes (common practice, no source)."""

FROST_C = 0.0
"""Water freezes: at this forecast minimum the system is drained."""

NEAR_FROST_C = 2.0
"""At this forecast minimum frost near the ground is possible: be ready (common practice, no source)."""

FLUSH_M_S = 0.3048
"""1 ft/s at the open end of the tape (UC ANR, maintenance of microirrigation systems)."""

FLUSH_BASIS = (
    f"at season start and every {FLUSH_EVERY_DAYS} days of watering: {NO_SOURCE};"
    " 1 ft/s at the open end: UC ANR, maintenance of microirrigation systems"
)


@dataclass(frozen=True, slots=True)
class Chore:
    """One chore that is due (or, `level` "info", soon will be), in pieces from which a sentence is made."""

    kind: ChoreKind
    what: str  # "rinse the filter"
    why: str  # "20 days of watering since 2026-05-01"
    how: str  # one line of help, may be empty
    due: date
    overdue_days: int  # 0 on the due date and before
    basis: str  # where the interval comes from
    zone: str | None = None
    level: Literal["info", "look"] = "look"
    figures: Mapping[str, float] = field(default_factory=dict)  # SI, the unit in each name


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


def last_noted(notes: Iterable[Note]) -> dict[tuple[ChoreKind, str | None], date]:
    """Newest date of each chore among the grower's notes.

    Notes of kind `filter` and `tape` speak for themselves; one of kind `chore` names its own in
    details["chore"]: "bucket", "flush" or "drain".
    """
    found: dict[tuple[ChoreKind, str | None], date] = {}
    for note in notes:
        said = str(note.details.get("chore")) if note.kind == "chore" else note.kind
        if said in get_args(ChoreKind):
            key = (cast(ChoreKind, said), note.zone)
            found[key] = max(found.get(key, note.day), note.day)
    return found


def chores_due(
    garden: Garden,
    day: date,
    *,
    noted: Noted,
    watered: Mapping[str, Collection[date]],
    tmin_ahead_c: Mapping[date, float],
    say_flow: Callable[[float], str] = "{:.1f} L/min".format,
    say_temperature: Callable[[float], str] = "{:.0f} C".format,
) -> list[Chore]:
    """All chores due on `day`, the longest overdue first.

    garden: with the plantings as they really were (the grower's notes worked in).
    noted: last date of each chore, see `last_noted`; dates after `day` are ignored.
    watered: by zone, the local dates on which it got water, in any order.
    tmin_ahead_c: forecast minimum by date, degC; nan = unknown.  Dates before `day` are ignored.
    say_flow, say_temperature: L/min and degC in the grower's words.
    """
    job = _Job(garden, day, noted, watered)
    chores = [
        *job.tape(),
        *job.filter(),
        *job.bucket(),
        *job.flush(say_flow),
        *job.drain(tmin_ahead_c, say_temperature),
    ]
    return sorted(chores, key=lambda chore: (-chore.overdue_days, chore.due, chore.kind, chore.zone or ""))


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

    def _overdue(self, due: date) -> int:
        return max((self._day - due).days, 0)

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
            due = worn[0].planted
            crops = "1 crop" if lasts == 1 else f"{lasts:g} crops"
            yield Chore(
                kind="tape",
                what="lay new tape" if ahead else "the tape is past its crops",
                why=f"laid {since}, it lasts {crops}; {worn[0].crop.name} ({due}) is one more",
                how=f"before planting; then: rowwater note tape {zone.name}"
                if ahead
                else "look for leaks and dry ends; new tape before the next crop",
                due=due,
                overdue_days=self._overdue(due),
                basis="crop_cycles of the tape in garden.yaml",
                zone=zone.name,
                level="look" if ahead else "info",
                figures={"crop_cycles": lasts, "crops": float(used[zone.name])},
            )

    def filter(self) -> Iterable[Chore]:
        stretch = _stretch(self._all_dates, self._day)
        if stretch is None:
            return
        since = max(stretch[0], self._last("filter") or stretch[0])
        due = since + timedelta(days=FILTER_EVERY_DAYS)
        if due <= self._day:
            last = self._last("filter")
            noted = f"last noted {last}" if last else "no rinse noted yet"
            yield Chore(
                kind="filter",
                what="rinse the filter",
                why=f"{(self._day - since).days} days of watering; {noted}",
                how="close the supply and let the pressure off first; afterwards: rowwater note filter",
                due=due,
                overdue_days=self._overdue(due),
                basis=f"every {FILTER_EVERY_DAYS} days of watering: {NO_SOURCE}",
            )

    def bucket(self) -> Iterable[Chore]:
        """Only while something grows or is watered: nobody times a bucket in winter."""
        last = self._last("bucket")
        since = last or min(self._all_dates, default=None)
        if since is None or not (self._standing or _stretch(self._all_dates, self._day)):
            return
        due = since + timedelta(days=BUCKET_GOOD_FOR_DAYS)
        if due <= self._day:
            yield Chore(
                kind="bucket",
                what="time the bucket again",
                why=f"last timed {since}" if last else f"no timing noted since watering began, {since}",
                how="rowwater bucket --volume 5gal --time 58s; afterwards: rowwater note chore bucket",
                due=due,
                overdue_days=self._overdue(due),
                basis=f"once a season, {BUCKET_GOOD_FOR_DAYS} days: {NO_SOURCE}",
            )

    def flush(self, say_flow: Callable[[float], str]) -> Iterable[Chore]:
        for zone, stand in self._standing:
            last = self._last("flush", zone.name)
            found = self._flush_due(zone, stand, last)
            if found is None or found[0] > self._day:
                continue
            due, why = found
            how, figures = self._flush_help(zone, stand, say_flow)
            yield Chore(
                kind="flush",
                what="flush the tape lines",
                why=why,
                how=how,
                due=due,
                overdue_days=self._overdue(due),
                basis=FLUSH_BASIS,
                zone=zone.name,
                figures=figures,
            )

    def _flush_due(self, zone: Zone, stand: Stand, last: date | None) -> tuple[date, str] | None:
        stretch = _stretch(self._watered.get(zone.name, ()), self._day)
        planted = stand.planting.planted
        if stretch is None:
            # a new crop before its first water; older ones wait until they are watered again
            begins = planted if (self._day - planted).days < SEASON_ENDS_AFTER_DAYS else None
        else:
            begins = stretch[0]
        if begins is None:
            return None
        if last is None or last <= begins - timedelta(days=SEASON_ENDS_AFTER_DAYS):
            return begins, f"watering season begins ({begins})"
        since = max(last, begins)
        why = f"{(self._day - since).days} days of watering since {last}"
        return since + timedelta(days=FLUSH_EVERY_DAYS), why

    def _flush_help(
        self, zone: Zone, stand: Stand, say_flow: Callable[[float], str]
    ) -> tuple[str, dict[str, float]]:
        """How many ends may be open at once, while the zone's rows all go on dripping."""
        if zone.tape.inside_diameter_m is None:
            name = zone.tape.name
            return f"one line at a time; give tapes.{name}.inside_diameter to learn how many", {}
        each = flush_flow(zone.tape.inside_diameter_m)
        left = self._garden.supply.usable_lpm - stand.delivery.flow_lpm
        lines = stand.planting.rows.count * stand.planting.rows.tapes
        at_once = min(max(math.floor(left / each + 1e-9), 0), lines)
        figures = {"flush_lpm": each, "lines_at_once": float(at_once), "zone_lpm": stand.delivery.flow_lpm}
        if at_once == 0:
            return (
                f"each open end needs {say_flow(each)} and the zone takes {say_flow(stand.delivery.flow_lpm)}"
                f" of {say_flow(self._garden.supply.usable_lpm)}: shut some rows off, then one end at a time"
            ), figures
        ends = "1 end" if at_once == 1 else f"{at_once} ends"
        how = f"open at most {ends} at a time: each needs {say_flow(each)}; close when it runs clear"
        return how, figures

    def drain(
        self, tmin_ahead_c: Mapping[date, float], say_temperature: Callable[[float], str]
    ) -> Iterable[Chore]:
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
        due = max(when - timedelta(days=1), self._day)  # the minimum mostly falls before the morning
        yield Chore(
            kind="drain",
            what="drain filter, regulator, hose and supply line" if frost else "be ready to drain the system",
            why=f"{'frost' if frost else 'near frost'} forecast for {when}: {say_temperature(tmin)}",
            how="shut the supply at its source and open the line ends; afterwards: rowwater note chore drain",
            due=due,
            overdue_days=0,
            basis=f"forecast minimum of {FROST_C:g} C, warning from {NEAR_FROST_C:g} C: {NO_SOURCE}",
            level="look" if frost else "info",
            figures={"tmin_c": tmin},
        )
