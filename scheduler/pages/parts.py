"""What `rowwater parts` says: tape, fittings and valves of a garden's first build, and what each rests on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from scheduler.core.system.check import GardenCheck, ZoneRows
from scheduler.core.system.counts import Parts
from scheduler.core.system.first_build import (
    HOLES_PER_SPARE_PLUG,
    LEAST_SPARES,
    TAPE_PER_SPARE_COUPLING_M,
    SupplySide,
    rolls,
    spares,
    supply_side,
)
from scheduler.core.system.layout import zone_edges
from scheduler.model import Garden
from scheduler.pages.changeover import convention, layout_of
from scheduler.pages.check import CAUTIONS
from scheduler.pages.first_build import (
    Asked,
    Bed,
    Section,
    as_first_planted,
    beds_of,
    later_parts,
    sections_of,
)
from scheduler.pages.rounding import rounded
from scheduler.shapes.changeover import Feed
from scheduler.shapes.check import ProblemLine
from scheduler.shapes.parts import PartLine, PartName, PartsPage, SectionParts, ZoneParts
from scheduler.show import show_length, show_pressure, words

NO_SOURCE = "common practice, no source"


def parts_page(garden: Garden, asked: Asked) -> PartsPage:
    """SI; the rows are those of each zone's first planting."""
    edges = zone_edges([garden])
    line_m = max((end for _, end in edges.values()), default=0.0)
    feed: Feed = garden.supply.mainline.feed if garden.supply.mainline else "end"
    beds = list(beds_of(garden, edges, asked))
    check = as_first_planted(garden)
    sections = list(sections_of(garden, check, edges, line_m, feed))
    return {
        "garden": garden.name,
        "feed": feed,
        "convention": convention(garden.display, feed),
        "slack_m": rounded(asked.slack_m),
        "waste": asked.waste,
        "roll_m": rounded(asked.roll_m),
        "zones": {bed.zone.name: _zone(bed, sections) for bed in beds},
        "sections": [_section(garden, one) for one in sections],
        "parts": [
            *_tape_parts(garden, beds, asked),
            *_row_parts(garden, beds, asked),
            *_supply_parts(garden, sections),
            *_head_parts(garden),
        ],
        "later": list(later_parts(garden, edges)),
        "problems": [*_problems(garden, check), *_too_short(garden, sections)],
        "cautions": [CAUTIONS[name] for name in _cautions(garden)],
        "notices": list(_notices(garden, beds, check)),
    }


# --- the list ------------------------------------------------------------------------------------


def _part(
    part: PartName, count: int | None, rests_on: str, *, of: str | None = None, length_m: float | None = None
) -> PartLine:
    length = None if length_m is None else rounded(length_m)
    return {"part": part, "of": of, "count": count, "length_m": length, "rests_on": rests_on}


def _by_tape(beds: Iterable[Bed]) -> dict[str, list[Bed]]:
    found: dict[str, list[Bed]] = {}
    for bed in beds:
        found.setdefault(bed.laid.tape.name, []).append(bed)
    return found


def _cuts(beds: Sequence[Bed]) -> list[float]:
    return [bed.cut_m for bed in beds for _ in range(bed.tapes)]


def _tape_parts(garden: Garden, beds: Sequence[Bed], asked: Asked) -> Iterator[PartLine]:
    def length(m: float) -> str:
        return show_length(m, garden.display)

    for tape, mine in _by_tape(beds).items():
        cuts, rows_m = _cuts(mine), sum(bed.parts.tape_m for bed in mine)
        each = ", ".join(f"{bed.zone.name} {bed.tapes} of {length(bed.cut_m)}" for bed in mine)
        yield _part(
            "tape",
            None,
            f"{each}; {length(rows_m)} in the rows, the rest to bury (twice the tape's depth) and to fold "
            f"({length(asked.slack_m)} each), and {asked.waste:.0%} waste ({NO_SOURCE})",
            of=tape,
            length_m=sum(cuts) * (1 + asked.waste),
        )
        bought = rolls(cuts, roll_m=asked.roll_m, waste=asked.waste)
        longer = f", but for {_of(bought.joints, 'joint')} in tapes longer than a roll"
        joints = longer if bought.joints else ""
        least = "no cutting needs fewer" if bought.count == bought.at_least else f"at least {bought.at_least}"
        yield _part(
            "rolls of tape",
            bought.count,
            f"of {length(asked.roll_m)} each (--roll), each tape cut from one{joints}; {least}",
            of=tape,
        )


def _row_parts(garden: Garden, beds: Sequence[Bed], asked: Asked) -> Iterator[PartLine]:
    whole = Parts.sum(bed.parts for bed in beds)
    joints, drawer, cuts_m = 0, 0, 0.0
    for mine in _by_tape(beds).values():
        joints += rolls(_cuts(mine), roll_m=asked.roll_m, waste=asked.waste).joints
        laid_m = sum(bed.parts.tape_m for bed in mine)
        drawer, cuts_m = drawer + spares(laid_m, TAPE_PER_SPARE_COUPLING_M), cuts_m + laid_m
    each = ", ".join(f"{bed.zone.name} {bed.parts.row_starts}" for bed in beds)
    yield _part("row starts", whole.row_starts, f"a take-off for each tape of each row: {each}")
    yield _part(
        "end closures",
        whole.end_closures,
        "one at the far end of each tape; an end folded into a sleeve of its own tape needs none",
    )
    in_line = f"{_of(joints, 'coupling')} in tapes longer than a roll, and " if joints else ""
    per = show_length(TAPE_PER_SPARE_COUPLING_M, garden.display)
    yield _part(
        "couplings",
        joints + drawer,
        f"{in_line}for the drawer: of each tape one for every {per} laid, {LEAST_SPARES} at least "
        "(own choice); a cut takes one",
    )
    clamps = replace(whole, couplings=joints + drawer).clamps
    yield _part(
        "tape clamps",
        clamps,
        "one at each row start and end closure, two at each coupling; fittings with a locking nut need none",
    )
    yield _part(
        "goof plugs",
        spares(whole.row_starts, HOLES_PER_SPARE_PLUG),
        f"for the drawer: one for every {HOLES_PER_SPARE_PLUG} holes, {LEAST_SPARES} at least (own choice), "
        "for a hole in the wrong place",
    )


def _supply_parts(garden: Garden, sections: Sequence[Section]) -> Iterator[PartLine]:
    side = supply_side([section.ways_m for section in sections])
    line = garden.supply.mainline
    reach = ", ".join(
        f"valve {n}: {' and '.join(show_length(m, garden.display) for m in section.ways_m)}"
        for n, section in enumerate(sections, start=1)
    )
    bore = f"; inside diameter {_bore(garden)}" if line else ""
    yield _part(
        "supply line",
        None,
        f"from the valves at the feed to each section's farthest row of any planting ({reach}){bore}; "
        "from the tap to the feed is not in it: measure it",
        length_m=side.line_m,
    )
    yield from _valves(sections, side)
    ways = "; the line is fed in its middle" if side.tees >= len(sections) else ""
    yield _part(
        "tees",
        side.tees,
        f"one for each valve beyond the first, one where a line goes both ways{ways}",
    )
    yield _part("line ends", side.line_ends, "one at each far end of a supply line")
    yield _part("valve adapters", side.valve_adapters, "two at each valve, thread to barb")
    yield _part(
        "line clamps",
        side.clamps,
        "one on each barb of the supply line: three at a tee, two at a valve, one at a line end",
    )


def _valves(sections: Sequence[Section], side: SupplySide) -> Iterator[PartLine]:
    zones = {one.zone for section in sections for one in section.rows}
    alone = max(len(zones), side.valves)
    section = "one for each section that `rowwater check` proposes, its zones opened by"
    more = f"; {alone} where each zone is to run by its own need" if alone > side.valves else ""
    electric = sum(section.electric for section in sections)
    if electric < side.valves:
        yield _part("hand valves", side.valves - electric, f"{section} hand{more}")
    if electric:
        yield _part("electric valves", electric, f"{section} a relay: normally closed{more}")


def _head_parts(garden: Garden) -> Iterator[PartLine]:
    yield _part(
        "backflow preventer",
        1,
        "before everything else, where the water is a house's; local codes decide which",
    )
    yield _part("filter", 1, "before the regulator; its mesh is that which the tape's maker asks for")
    pressure = garden.supply.pressure_kpa
    rated = [tape.rated_at_kpa for tape in garden.tapes.values() if tape.rated_at_kpa is not None]
    set_to = pressure if pressure is not None else min(rated, default=None)
    at = "the tape's rating" if set_to is None else show_pressure(set_to, garden.display)
    said = "supply.pressure" if pressure is not None else "the tape's rating"
    yield _part("pressure regulator", 1, f"behind the filter, set to {at} ({said})")


def _of(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _bore(garden: Garden) -> str:
    line = garden.supply.mainline
    assert line is not None
    return show_length(line.inside_diameter_m, garden.display)


# --- as plain values -----------------------------------------------------------------------------


def _zone(bed: Bed, sections: Sequence[Section]) -> ZoneParts:
    name = bed.zone.name
    return {
        "layout": layout_of(bed.laid),
        "sections": [n for n, one in enumerate(sections, start=1) if name in {r.zone for r in one.rows}],
        "tapes": bed.tapes,
        "cut_m": rounded(bed.cut_m),
        "tape_m": rounded(bed.cut_m * bed.tapes),
        "row_starts": bed.parts.row_starts,
        "end_closures": bed.parts.end_closures,
        "clamps": bed.parts.clamps,
    }


def _section(garden: Garden, section: Section) -> SectionParts:
    counts = {zone.name: zone.plantings[0].rows.count for zone in garden.zones if zone.plantings}
    return {
        "rows": [_rows(one, counts[one.zone]) for one in section.rows],
        "flow_lpm": rounded(section.flow_lpm),
        "valve": "electric" if section.electric else "hand",
        "line_m": [rounded(m) for m in section.ways_m],
    }


def _rows(one: ZoneRows, count: int) -> str:
    if one.last - one.first + 1 == count:
        return one.zone
    which = f"row {one.last}" if one.first == one.last else f"rows {one.first}-{one.last}"
    return f"{one.zone} {which}"


# --- what is wrong, or not known -----------------------------------------------------------------


def _problems(garden: Garden, check: GardenCheck) -> Iterator[ProblemLine]:
    """What `check` calls a problem, but for a flow that the sections mend."""
    for problem in check.problems:
        if problem.level == "problem" and problem.kind != "flow":
            yield {
                "zone": problem.zone,
                "text": words(problem.text, problem.numbers, garden.display),
                "mend": words(problem.mend, problem.mend_numbers, garden.display),
                "level": problem.level,
            }


def _too_short(garden: Garden, sections: Sequence[Section]) -> Iterator[ProblemLine]:
    line = garden.supply.mainline
    if line is None:
        return
    has = line.length_m / 2 if line.feed == "middle" else line.length_m
    needs = max((m for section in sections for m in section.ways_m), default=0.0)
    if needs > has + 1e-6:
        yield {
            "zone": None,
            "text": f"the rows reach {show_length(needs, garden.display)} from the feed, and supply.mainline "
            f"{show_length(has, garden.display)}",
            "mend": "lengthen it, or correct supply.mainline.length",
            "level": "problem",
        }


def _cautions(garden: Garden) -> list[str]:
    driven = any(zone.valve.driver != "by_hand" for zone in garden.zones)
    return ["drinking water", "pressure", *(["mains"] if driven else [])]


def _notices(garden: Garden, beds: Sequence[Bed], check: GardenCheck) -> Iterator[str]:
    yield from garden.notices
    if garden.supply.mainline is None:
        yield "supply.mainline is not given: how wide the supply line must be is not known (`rowwater check`)"
    for bed in beds:
        if not bed.zone.plantings:
            yield f"{bed.zone.name}: no planting, so no section: its valve and line are not counted"
    if not check.sections.exact and check.sections.gap:
        yield "fewer sections than these may do: too many rows and zones to try all ways"
