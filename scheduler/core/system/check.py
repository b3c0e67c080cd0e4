"""Can the supply carry the garden: each zone's demand, the sections, and the hottest week (model M7, M8).

Pure: the hottest week's ET0 comes in as a number, nan where no climate is known.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal

import numpy as np

from scheduler.core.arrays import Mm
from scheduler.core.balance.sowing import started_by
from scheduler.core.balance.stands import Stand, stands
from scheduler.core.balance.surface import RISE_M
from scheduler.core.balance.tape import deliveries
from scheduler.core.hours.windows import stretch, watering_windows
from scheduler.core.hydraulics.results import RemarkKind
from scheduler.core.hydraulics.zone import longest_row
from scheduler.core.system.allowance import week_means
from scheduler.core.system.feed import travel_minutes
from scheduler.core.system.sections import Load, Sections, sections
from scheduler.core.system.tape_place import TapePlace, tape_place
from scheduler.model import Garden, Tape, Zone

KEPT_UNIFORMITY = 0.80
"""Below it a design is called fair at best (classes attributed to ASAE EP405.1; second-hand)."""
ROOT_CLASS_M = 0.25
"""Crops whose full root depths differ by less water alike (own choice)."""


FARTHEST_PLANTING_DAYS = 300
"""A planting farther off than this was hardly meant for this year (own choice)."""


ProblemKind = (
    RemarkKind
    | Literal["flow", "uniformity", "tape", "row length", "watering days", "hours", "planted", "dry seed"]
)
"""What a problem is about; program code goes by this, never by the words."""


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with the garden as laid out, and what would mend it; zone None: the whole garden."""

    kind: ProblemKind
    zone: str | None
    text: str  # with places for `numbers`
    mend: str  # with places for `mend_numbers`
    level: Literal["look", "problem"] = "problem"
    numbers: tuple[float, ...] = ()  # SI
    mend_numbers: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class ZoneCheck:
    """One zone judged by one planting: whether the supply carries its flow, and its longest day."""

    zone: Zone
    stand: Stand
    fits_supply: bool
    peak_minutes: float  # a day, in the hottest week with the crop full grown; nan where no climate is known
    place: TapePlace
    feed_travel_minutes: float | None  # to the last emitter of the zone's own rows


@dataclass(frozen=True, slots=True)
class ZoneRows:
    """Rows `first` to `last` of a zone, which run together."""

    zone: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class GardenCheck:
    """All zones judged, grouped into sections, and whether a morning fits the watering hours."""

    zones: tuple[ZoneCheck, ...]
    sections: Sections
    section_rows: tuple[tuple[ZoneRows, ...], ...]  # of each section
    morning_minutes: float  # of all sections one after another in the hottest week; nan where unknown
    hours_minutes: float  # what the watering hours give
    problems: tuple[Problem, ...]


def hottest_week(et0: Mm) -> float:
    """Highest mean of 7 consecutive days, mm/d, of (day,) ET0; nan with fewer days. nan days break a week.

    >>> round(hottest_week(np.array([4.0] * 7 + [6.0] * 7 + [5.0] * 3)), 6), hottest_week(np.array([5.0]))
    (6.0, nan)
    """
    start = hottest_week_start(et0)
    return math.nan if start is None else float(week_means(et0)[start])


def hottest_week_start(et0: Mm) -> int | None:
    """Index of the first day of the `hottest_week`, the earliest of equal ones; None where there is none.

    >>> hottest_week_start(np.array([4.0] * 7 + [6.0] * 7 + [5.0] * 3)), hottest_week_start(np.array([5.0]))
    (7, None)
    """
    means = week_means(et0)
    return int(np.nanargmax(means)) if np.isfinite(means).any() else None


def check_garden(garden: Garden, today: date, peak_et0_mm: float) -> GardenCheck:
    """Judge each zone by the planting that stands today, else its next one, else its last."""
    usable = garden.supply.usable_lpm
    found = [(zone, _stand(garden, zone, today)) for zone in garden.zones]
    zones = tuple(
        ZoneCheck(
            zone,
            stand,
            stand.delivery.flow_lpm <= usable * (1 + 1e-9),
            _peak_minutes(zone, stand, peak_et0_mm),
            tape_place(zone, stand),
            _feed_travel(garden, zone, stand),
        )
        for zone, stand in found
        if stand is not None
    )
    loads, minutes, rows = _loads(zones, usable)
    grouped = sections(loads, usable)
    section_rows = tuple(tuple(one for name in group for one in rows[name]) for group in grouped.groups)
    morning = sum(max(minutes[name] for name in group) for group in grouped.groups) if loads else 0.0
    per_week = sum(garden.supply.days.allows(today + timedelta(days=d)) for d in range(28)) / 4
    morning *= 7 / per_week if per_week else math.nan
    day = garden.supply
    hours = stretch(watering_windows(today, day.hours, garden.location.timezone)).open_minutes
    problems = (
        *(problem for zone in garden.zones for problem in _planted_far_off(garden, zone, today)),
        *(problem for zone in zones for problem in _zone_problems(garden, zone)),
        *(problem for zone in zones for problem in _dry_seed(zone, today)),
        *_fit_problems(garden, zones, morning, hours, per_week),
    )
    return GardenCheck(zones, grouped, section_rows, morning, hours, problems)


def _stand(garden: Garden, zone: Zone, today: date) -> Stand | None:
    ahead = [planting.planted for planting in zone.plantings if planting.planted >= today]
    for day in (today, *ahead[:1], *[planting.planted for planting in zone.plantings[-1:]]):
        standing = stands([zone], day, 1, garden.location, garden.supply)
        if standing:
            return standing[0]
    return None


def _planted_far_off(garden: Garden, zone: Zone, today: date) -> Iterator[Problem]:
    """A zone whose every planting lies most of a year away, none of them standing: a year mistyped?"""
    days = [(planting.planted - today).days for planting in zone.plantings]
    if not days or min(map(abs, days)) <= FARTHEST_PLANTING_DAYS:
        return
    if stands([zone], today, 1, garden.location, garden.supply):
        return
    off = min(days, key=abs)
    planted = today + timedelta(days=off)
    yield Problem(
        "planted",
        zone.name,
        f"no crop stands here: the nearest planting, {planted}, lies {abs(off)} days "
        f"{'ahead' if off > 0 else 'back'} - is its year right?",
        "correct `planted`, or give this year's planting",
        "look",
    )


def _peak_minutes(zone: Zone, stand: Stand, peak_et0_mm: float) -> float:
    """Minutes a day that replace the ETc of a full-grown crop in the hottest week, no rain."""
    from scheduler.core.balance.crop import mulch_keeps

    kc = max(stand.kc) * mulch_keeps(stand.planting.crop, stand.planting.mulch)
    return kc * peak_et0_mm / stand.net_per_minute + zone.fill_time_minutes


def _feed_travel(garden: Garden, zone: Zone, stand: Stand) -> float | None:
    rows, flow = zone.rows or stand.planting.rows, stand.delivery.flow_lpm
    if rows != stand.planting.rows:
        own = replace(stand.planting, rows=rows, measured_flow_lpm=zone.measured_flow_lpm)
        (given,) = deliveries([(own, zone)], garden.supply)
        flow = given.flow_lpm
    return travel_minutes(rows, zone.tape, flow, garden.supply.mainline)


def _loads(
    zones: Sequence[ZoneCheck], usable: float
) -> tuple[list[Load], dict[str, float], dict[str, tuple[ZoneRows, ...]]]:
    """What opens as a whole: zones on one valve together; a zone too large for the supply in parts.

    Also, by load, its longest minutes and its rows.
    """
    by_valve: dict[str, list[ZoneCheck]] = {}
    for zone in zones:
        by_valve.setdefault(zone.zone.valve.key, []).append(zone)
    loads: list[Load] = []
    minutes: dict[str, float] = {}
    rows: dict[str, tuple[ZoneRows, ...]] = {}
    for members in by_valve.values():
        flow = sum(member.stand.delivery.flow_lpm for member in members)
        name = " + ".join(member.zone.name for member in members)
        longest = max(member.peak_minutes for member in members)
        whole = tuple(ZoneRows(m.zone.name, 1, m.stand.planting.rows.count) for m in members)
        parts = [(name, flow, whole)]
        if flow > usable and len(members) == 1:
            parts = list(_parts_of(members[0], usable))
        loads += [Load(part, size, _kind(members[0].stand)) for part, size, _ in parts]
        minutes |= {part: longest for part, _, _ in parts}
        rows |= {part: which for part, _, which in parts}
    return loads, minutes, rows


def _parts_of(zone: ZoneCheck, usable: float) -> Iterator[tuple[str, float, tuple[ZoneRows, ...]]]:
    """Whole rows, as even as can be, each part within the usable flow where a row is."""
    rows, solved = zone.stand.planting.rows, zone.stand.delivery.hydraulics
    flow = zone.stand.delivery.flow_lpm
    each = [flow / rows.count] * rows.count
    if solved is not None and len(solved.rows) == rows.count and solved.flow_lpm > 0:
        each = [row.flow_lpm * flow / solved.flow_lpm for row in solved.rows]
    count = min(max(math.ceil(flow / usable - 1e-9), 1), rows.count)
    while True:
        bounds = [round(k * rows.count / count) for k in range(count + 1)]
        parts = [sum(each[a:b]) for a, b in zip(bounds, bounds[1:], strict=False)]
        if max(parts) <= usable * (1 + 1e-9) or count >= rows.count:
            break
        count += 1
    for size, a, b in zip(parts, bounds, bounds[1:], strict=False):
        which = f"row {b}" if b - a == 1 else f"rows {a + 1}-{b}"
        yield f"{zone.zone.name} {which}", size, (ZoneRows(zone.zone.name, a + 1, b),)


def _kind(stand: Stand) -> tuple[str, int]:
    crop = stand.planting.crop
    return crop.name, int(crop.root_full_m / ROOT_CLASS_M)


def _zone_problems(garden: Garden, check: ZoneCheck) -> Iterator[Problem]:
    zone, stand = check.zone, check.stand
    solved, tape, supply = stand.delivery.hydraulics, zone.tape, garden.supply
    if not check.fits_supply:
        parts = math.ceil(stand.delivery.flow_lpm / supply.usable_lpm - 1e-9)
        yield Problem(
            "flow",
            zone.name,
            "draws {:flow}, and the supply can feed {:flow}",
            f"split it over {parts} valves (see sections), or lay tape of a lower flow",
            numbers=(stand.delivery.flow_lpm, supply.usable_lpm),
        )
    if solved is None:
        yield from _unsolved(zone, tape)
        return
    for remark in solved.remarks:
        if remark.kind == "supply" and not check.fits_supply:
            continue  # said above, in the usable flow
        yield Problem(remark.kind, zone.name, remark.text, remark.mend, remark.level, remark.numbers)
    poor = solved.uniformity < KEPT_UNIFORMITY
    if solved.flow_variation_class == "not acceptable" or poor:
        mend, reach = _shorter_or_middle(garden, zone, stand)
        yield Problem(
            "uniformity",
            zone.name,
            f"emitters differ by {solved.flow_variation:.0%} (up to 20 % is acceptable), "
            f"uniformity {solved.uniformity:.2f}",
            mend,
            "problem" if poor else "look",
            mend_numbers=reach,
        )


def _dry_seed(check: ZoneCheck, today: date) -> Iterator[Problem]:
    """Something is sown here, and the water does not come up to it."""
    zone = check.zone
    sown = [
        planting
        for planting in (check.stand.planting, *zone.plantings)
        if started_by(planting) == "seed" and (planting.pulled is None or planting.pulled > today)
    ]
    if sown and not check.place.wets_seed:
        yield Problem(
            "dry seed",
            zone.name,
            f"{sown[0].crop.name} is sown, and from {{:length}} down this tape wets nothing on top",
            "lay it less than {:length} deep, or sprinkle the seed rows by hand until they are up",
            "look",
            (check.place.depth_m,),
            (RISE_M[zone.soil.texture_group],),
        )


def _unsolved(zone: Zone, tape: Tape) -> Iterator[Problem]:
    missing = [
        name
        for name, value in (
            ("inside_diameter", tape.inside_diameter_m),
            ("emitter_spacing", tape.emitter_spacing_m),
        )
        if value is None
    ]
    if missing and zone.uniformity is None:
        yield Problem(
            "tape",
            zone.name,
            f"tape {tape.name} lacks {' and '.join(missing)}: pressure and uniformity are not known",
            f"give tapes.{tape.name}.{missing[0]}, or the zone's measured uniformity",
            "look",
        )
    elif tape.emitter_spacing_m is not None and any(
        planting.rows.length_m < tape.emitter_spacing_m for planting in zone.plantings
    ):
        yield Problem(
            "row length", zone.name, "a row is shorter than the emitter spacing", "check length and spacing"
        )


def _shorter_or_middle(garden: Garden, zone: Zone, stand: Stand) -> tuple[str, tuple[float, ...]]:
    """What would mend it, with a place for the longest row that would do, m, found by solving."""
    slope = stand.planting.rows.slope
    reach = longest_row(
        zone.tape, garden.supply, least_uniformity=KEPT_UNIFORMITY, most_flow_variation=0.2, slope=slope
    )
    line = garden.supply.mainline
    middle = "" if line is None or line.feed == "middle" else "feed the supply line at a middle T, or "
    if reach <= 0:
        return f"{middle}raise the pressure as far as the tape allows", ()
    if reach < stand.planting.rows.length_m:
        return f"{middle}shorten the rows to {{:length}}, or feed them in their middle", (math.floor(reach),)
    return f"{middle}use a wider supply line, or water fewer rows at once", ()


def _fit_problems(
    garden: Garden, zones: Sequence[ZoneCheck], morning: float, hours: float, per_week: float
) -> Iterator[Problem]:
    if not per_week:
        yield Problem(
            "watering days", None, "no day of the coming four weeks is a watering day", "give supply.days"
        )
    elif zones and morning > hours + 1e-6:
        end = _later(garden, math.ceil(morning - hours))
        yield Problem(
            "hours",
            None,
            f"in the hottest week all sections need {morning:.0f} min a morning; the hours give {hours:.0f}",
            f"water until {end}, allow more days, or find a larger supply so that fewer sections wait",
        )


def _later(garden: Garden, minutes: int) -> str:
    until = datetime.combine(date(2000, 1, 1), garden.supply.hours[-1].until) + timedelta(minutes=minutes)
    return f"{until:%H:%M}"
