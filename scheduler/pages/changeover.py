"""What `rowwater changeover` says: holes of the supply line, tape and parts between two layouts, in SI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from scheduler.core.system.changeover import (
    Chosen,
    Hole,
    ZoneChange,
    best_shift,
    changeover,
    planting_on,
)
from scheduler.core.system.counts import Parts, TapePiece
from scheduler.core.system.layout import Laid, laid, least_gap, place_from_feed, zone_edges
from scheduler.core.system.upkeep import Noted, crop_cycles_used, tape_laid
from scheduler.errors import BadInput
from scheduler.model import Display, Garden, Mainline, Planting, Zone
from scheduler.pages.rounding import rounded
from scheduler.shapes.changeover import (
    ChangeoverPage,
    Feed,
    HoleLine,
    Layout,
    PartsLine,
    ShiftLine,
    TapeLine,
    TooFar,
)
from scheduler.show import show_length

CONVENTION = (
    "zones lie one after another along the line in the order of garden.yaml, each as wide as its widest"
    " layout; in each the first row stands half a spacing from the zone's near edge, the next every spacing;"
    " tapes of one row stand evenly about its middle (two: {} or a quarter of the spacing to each"
    " side, whichever is less)"
)
MIDDLE = "fed in the middle of the zones' whole width; left is towards the first zone"


@dataclass(frozen=True, slots=True)
class Side:
    """One end of the change: a garden, and the date its rows are looked at (None: its first plantings)."""

    what: str  # as the grower named it
    garden: Garden
    day: date | None
    noted: Noted = field(default_factory=dict)

    def plantings(self, *, ahead: bool) -> dict[str, Chosen]:
        if self.day is not None:
            return planting_on(self.garden, self.day, ahead=ahead)
        zones = self.garden.zones
        return {zone.name: Chosen(zone.plantings[0] if zone.plantings else None) for zone in zones}


def changeover_page(before: Side, after: Side, *, tolerance_m: float, waste: float) -> ChangeoverPage:
    """Raises BadInput where the tolerance would take two neighbouring holes for one."""
    same = before.garden is after.garden
    edges = zone_edges([before.garden] if same else [before.garden, after.garden])
    olds, news, notices = _layouts(before, after, edges)
    _check_tolerance([*olds.values(), *news.values()], tolerance_m)
    tapes = {
        name: _tape(before, after, olds[name].planting, news[name].planting, name)
        for name in edges
        if name in olds and name in news and news[name] != olds[name]
    }
    changes = _changes(edges, olds, news, tapes, tolerance_m)
    mainline = before.garden.supply.mainline or after.garden.supply.mainline
    feed: Feed = mainline.feed if mainline else "end"
    line_m = max((end for _, end in edges.values()), default=0.0)
    return {
        "from": before.what,
        "to": after.what,
        "feed": feed,
        "convention": convention(after.garden.display, feed),
        "tolerance_m": rounded(tolerance_m),
        "waste": waste,
        "zones": {
            change.zone: {
                "begins_m": rounded(edges[change.zone][0]),
                "ends_m": rounded(edges[change.zone][1]),
                "from": layout_of(olds[change.zone]) if change.zone in olds else None,
                "to": layout_of(news[change.zone]) if change.zone in news else None,
                "changes": change.changes,
                "holes": [_hole(hole, line_m, feed) for hole in change.holes],
                "tapes": [_piece(piece) for piece in change.tapes],
                "crops_on_tape": tapes[change.zone].used if change.zone in tapes else None,
                "shift": _shift(
                    change, olds.get(change.zone), news.get(change.zone), edges[change.zone], tolerance_m
                ),
                "parts": _parts(change.parts, waste),
            }
            for change in changes
        },
        "parts": _parts(Parts.sum(change.parts for change in changes), waste),
        "problems": _too_far(changes, line_m, mainline, tolerance_m) if mainline else [],
        "notices": notices + [f"{name}: {tape.remark}" for name, tape in tapes.items() if tape.remark],
    }


def convention(display: Display, feed: Feed) -> str:
    """How places along the supply line are taken."""
    beside = "6 in" if display == "us" else "0.15 m"
    return CONVENTION.format(beside) + (f"; {MIDDLE}" if feed == "middle" else "")


def _changes(
    edges: Mapping[str, tuple[float, float]],
    olds: Mapping[str, Laid],
    news: Mapping[str, Laid],
    tapes: Mapping[str, _Tape],
    tolerance_m: float,
) -> list[ZoneChange]:
    """Along the line."""
    order = [name for name in edges if name in olds or name in news]
    changes = changeover(
        [olds[name] for name in order if name in olds],
        [news[name] for name in order if name in news],
        tolerance_m=tolerance_m,
        new_tape={name for name, tape in tapes.items() if tape.new},
    )
    return sorted(changes, key=lambda change: order.index(change.zone))


def _layouts(
    before: Side, after: Side, edges: Mapping[str, tuple[float, float]]
) -> tuple[dict[str, Laid], dict[str, Laid], list[str]]:
    """Rows before and after, by zone; where nothing new is planned the old rows are left as they are."""
    chosen_before, chosen_after = before.plantings(ahead=False), after.plantings(ahead=True)
    zones_before = {zone.name: zone for zone in before.garden.zones}
    zones_after = {zone.name: zone for zone in after.garden.zones}
    olds: dict[str, Laid] = {}
    news: dict[str, Laid] = {}
    notices = [
        f"{side.what} is taken at the first planting of each zone"
        for side in (before, after)
        if side.day is None
    ]
    for name in edges:
        from_, to = chosen_before.get(name), chosen_after.get(name)
        notices += [f"{name}: {chosen.remark}" for chosen in (from_, to) if chosen and chosen.remark]
        if from_ is None:
            notices.append(f"{name}: only in {after.what}; its place on the line follows from there")
        elif before.day is None or from_.planting:
            old = laid(zones_before[name], from_.planting, edges)
            olds.update({name: old} if old else {})
        if to is None:
            notices.append(f"{name}: not in {after.what}; all its holes are plugged")
        elif after.day is None or to.planting:
            new = laid(zones_after[name], to.planting, edges)
            news.update({name: new} if new else {})
        elif name in olds:
            news[name] = olds[name]
    orders = [[name for name in zones if name in zones_before and name in zones_after]
              for zones in (zones_before, zones_after)]  # fmt: skip
    if orders[0] != orders[1]:
        notices.append(f"the zones stand in another order in {after.what}; that of {before.what} is taken")
    return olds, news, notices


def _check_tolerance(layouts: Sequence[Laid], tolerance_m: float) -> None:
    for one in layouts:
        gap = least_gap(one)
        if 2 * tolerance_m >= gap:
            apart = f"{show_length(gap, 'us')} ({show_length(gap, 'metric')})"
            raise BadInput(
                f"{one.zone}: its take-offs stand {apart} apart, too near for that tolerance",
                hint="give a --tolerance below half of that",
            )


@dataclass(frozen=True, slots=True)
class _Tape:
    new: bool
    used: int | None  # crops that stood on it before the new layout; None = not known
    remark: str | None


def _tape(before: Side, after: Side, old: Planting | None, new: Planting | None, name: str) -> _Tape:
    """Whether the tape has had its crops, or is new by its date."""
    zone_before, zone_after = _zone(before.garden, name), _zone(after.garden, name)
    since, later = tape_laid(zone_before, before.noted), tape_laid(zone_after, after.noted)
    same = before.garden is after.garden
    if old and later and not same and later > old.planted and (since is None or later > since):
        return _Tape(True, None, f"new tape laid {later}")
    if since is None or old is None:
        unknown = "how old its tape is, is not known (no tape_laid)"
        return _Tape(False, None, unknown if since is None else None)
    forward = same and new is not None and new.planted > old.planted
    until = new.planted - timedelta(days=1) if forward and new else old.planted
    used = crop_cycles_used(before.garden, {name: since}, until)[name]
    if used == 0:
        return _Tape(True, 0, f"new tape laid {since}")
    lasts = zone_before.tape.crop_cycles
    if lasts is not None and used + 1 > lasts:
        had = "1 crop" if used == 1 else f"{used} crops"
        return _Tape(True, used, f"the tape laid {since} has had {had} and lasts {lasts:g}: lay new tape")
    return _Tape(False, used, None)


def _zone(garden: Garden, name: str) -> Zone:
    return next(zone for zone in garden.zones if zone.name == name)


def _too_far(
    changes: Sequence[ZoneChange], line_m: float, mainline: Mainline, tolerance_m: float
) -> list[TooFar]:
    reach_m = mainline.length_m / 2 if mainline.feed == "middle" else mainline.length_m
    problems: list[TooFar] = []
    for change in changes:
        away = [place_from_feed(hole.at_m, line_m, mainline.feed)[1] for hole in change.holes if hole.after]
        if away and max(away) > reach_m + tolerance_m:
            problems.append(
                {
                    "zone": change.zone,
                    "text": "reaches past the supply line's end",
                    "needs_m": rounded(max(away)),
                    "has_m": rounded(reach_m),
                    "mend": "lengthen it or mend supply.mainline.length, unless the zone has its own line",
                }
            )
    return problems


# --- as plain values -----------------------------------------------------------------------------


def layout_of(one: Laid) -> Layout:
    return {
        "crop": one.planting.crop.name if one.planting else None,
        "planted": one.planting.planted.isoformat() if one.planting else None,
        "count": one.rows.count,
        "length_m": rounded(one.rows.length_m),
        "spacing_m": rounded(one.rows.spacing_m),
        "tapes": one.rows.tapes,
        "tape": one.tape.name,
    }


def _hole(hole: Hole, line_m: float, feed: Feed) -> HoleLine:
    branch, away = place_from_feed(hole.at_m, line_m, feed)
    return {
        "state": hole.state,
        "from_feed_m": rounded(away),
        "branch": branch,
        "row_from": hole.before.row if hole.before else None,
        "row_to": hole.after.row if hole.after else None,
    }


def _shift(
    change: ZoneChange, old: Laid | None, new: Laid | None, room_m: tuple[float, float], tolerance_m: float
) -> ShiftLine | None:
    """A move of all new rows within the zone that lets more holes stay; None where there is none."""
    if old is None or new is None or not change.parts.plugs or not change.parts.row_starts:
        return None
    by_m, stays = best_shift(old, new, room_m=room_m, tolerance_m=tolerance_m)
    more = stays > sum(hole.state == "stays" for hole in change.holes)
    return {"by_m": rounded(by_m), "stays": stays} if more else None


def _piece(piece: TapePiece) -> TapeLine:
    return {
        "row": piece.row,
        "work": piece.work,
        "length_m": rounded(piece.length_m),
        "cut_m": rounded(piece.cut_m),
    }


def _parts(parts: Parts, waste: float) -> PartsLine:
    return {
        "row_starts": parts.row_starts,
        "row_starts_freed": parts.row_starts_freed,
        "plugs": parts.plugs,
        "couplings": parts.couplings,
        "end_closures": parts.end_closures,
        "end_closures_freed": parts.end_closures_freed,
        "tape_m": _length(parts.tape_m),
        "lifted_m": _length(parts.lifted_m),
        "tape_with_waste_m": rounded(parts.tape_m * (1 + waste)),
    }


def _length(m: float) -> float:
    """A sum of no pieces stays the whole number 0."""
    return rounded(m) if m else m
