"""What `rowwater changeover` says: holes of the supply line, tape and parts between two layouts, in SI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any, Literal

from scheduler.core.system.changeover import (
    Chosen,
    Hole,
    Laid,
    Parts,
    TapePiece,
    ZoneChange,
    best_shift,
    changeover,
    laid,
    least_gap,
    place_from_feed,
    planting_on,
    zone_edges,
)
from scheduler.core.system.upkeep import Noted, crop_cycles_used, tape_laid
from scheduler.errors import BadInput
from scheduler.model import Garden, Planting, Zone
from scheduler.show import METERS_PER_FOOT, MM_PER_INCH, Display, show_length

CONVENTION = (
    "zones lie one after another along the line in the order of garden.yaml, each as wide as its widest"
    " layout; in each the first row stands half a spacing from the zone's near edge, the next every spacing;"
    " tapes of one row stand evenly about its middle (two: 6 in (0.15 m) or a quarter of the spacing to each"
    " side, whichever is less)"
)
Feed = Literal["end", "middle"]
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


def changeover_page(before: Side, after: Side, *, tolerance_m: float, waste: float) -> dict[str, Any]:
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
    notices += [f"{name}: {tape.remark}" for name, tape in tapes.items() if tape.remark]
    order = [name for name in edges if name in olds or name in news]
    changes = changeover(
        [olds[name] for name in order if name in olds],
        [news[name] for name in order if name in news],
        tolerance_m=tolerance_m,
        new_tape={name for name, tape in tapes.items() if tape.new},
    )
    changes = tuple(sorted(changes, key=lambda change: order.index(change.zone)))
    line_m = max((end for _, end in edges.values()), default=0.0)
    mainline = before.garden.supply.mainline or after.garden.supply.mainline
    feed: Feed = mainline.feed if mainline else "end"
    page: dict[str, Any] = {
        "from": before.what,
        "to": after.what,
        "feed": feed,
        "convention": CONVENTION + (f"; {MIDDLE}" if feed == "middle" else ""),
        "tolerance_m": _short(tolerance_m),
        "waste": waste,
        "zones": {
            change.zone: {
                "begins_m": _short(edges[change.zone][0]),
                "ends_m": _short(edges[change.zone][1]),
                "from": _layout(olds.get(change.zone)),
                "to": _layout(news.get(change.zone)),
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
        "problems": [],
        "notices": notices,
    }
    if mainline:
        reach = mainline.length_m / 2 if feed == "middle" else mainline.length_m
        page["problems"] = _too_far(changes, line_m, feed, reach, tolerance_m)
    return page


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
    changes: Sequence[ZoneChange], line_m: float, feed: Feed, reach_m: float, tolerance_m: float
) -> list[dict[str, Any]]:
    problems = []
    for change in changes:
        away = [place_from_feed(hole.at_m, line_m, feed)[1] for hole in change.holes if hole.after]
        if away and max(away) > reach_m + tolerance_m:
            problems.append(
                {
                    "zone": change.zone,
                    "text": "reaches past the supply line's end",
                    "needs_m": _short(max(away)),
                    "has_m": _short(reach_m),
                    "mend": "lengthen it or mend supply.mainline.length, unless the zone has its own line",
                }
            )
    return problems


# --- as plain values -----------------------------------------------------------------------------


def _short(value: float) -> float:
    return round(value, 4) + 0.0


def _layout(one: Laid | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "crop": one.planting.crop.name if one.planting else None,
        "planted": one.planting.planted.isoformat() if one.planting else None,
        "count": one.rows.count,
        "length_m": _short(one.rows.length_m),
        "spacing_m": _short(one.rows.spacing_m),
        "tapes": one.rows.tapes,
        "tape": one.tape.name,
    }


def _hole(hole: Hole, line_m: float, feed: Feed) -> dict[str, Any]:
    branch, away = place_from_feed(hole.at_m, line_m, feed)
    return {
        "state": hole.state,
        "from_feed_m": _short(away),
        "branch": branch,
        "row_from": hole.before.row if hole.before else None,
        "row_to": hole.after.row if hole.after else None,
    }


def _shift(
    change: ZoneChange, old: Laid | None, new: Laid | None, room_m: tuple[float, float], tolerance_m: float
) -> dict[str, Any] | None:
    """A move of all new rows within the zone that lets more holes stay; None where there is none."""
    if old is None or new is None or not change.parts.plugs or not change.parts.row_starts:
        return None
    by_m, stays = best_shift(old, new, room_m=room_m, tolerance_m=tolerance_m)
    more = stays > sum(hole.state == "stays" for hole in change.holes)
    return {"by_m": _short(by_m), "stays": stays} if more else None


def _piece(piece: TapePiece) -> dict[str, Any]:
    return {
        "row": piece.row,
        "work": piece.work,
        "length_m": _short(piece.length_m),
        "cut_m": _short(piece.cut_m),
    }


def _parts(parts: Parts, waste: float) -> dict[str, Any]:
    plain = {
        name: _short(value) if isinstance(value, float) else value for name, value in asdict(parts).items()
    }
    return {**plain, "tape_with_waste_m": _short(parts.tape_m * (1 + waste))}


# --- in words ------------------------------------------------------------------------------------


def show_place(m: float, display: Display) -> str:
    """A place to be found with a tape measure: to half an inch or a centimetre.

    >>> show_place(1.143, "us"), show_place(1.143, "metric")
    ('3 ft 9 in', '1.14 m')
    """
    if display == "metric":
        return f"{m:.2f} m"
    halves = round(m * 1000 / MM_PER_INCH * 2)
    feet, rest = divmod(halves, round(METERS_PER_FOOT * 1000 / MM_PER_INCH) * 2)
    inches = f"{rest / 2:g} in"
    return inches if not feet else f"{feet} ft {inches}" if rest else f"{feet} ft"


def tape_lines(tapes: Sequence[Mapping[str, Any]]) -> list[tuple[str, int, dict[str, Any]]]:
    """Tapes that ask for the same, together: ("1-4, 6", how many tapes, the work), in order of the rows."""
    groups: dict[tuple[Any, ...], list[int]] = {}
    for tape in tapes:
        key = (tape["work"], tape["length_m"], tape["cut_m"])
        groups.setdefault(key, []).append(tape["row"])
    return [
        (_ranges(rows), len(rows), {"work": key[0], "length_m": key[1], "cut_m": key[2]})
        for key, rows in groups.items()
    ]


def _ranges(rows: Sequence[int]) -> str:
    spans: list[list[int]] = []
    for row in sorted(set(rows)):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)
