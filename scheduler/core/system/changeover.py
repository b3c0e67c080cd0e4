"""The supply line from one layout of rows to the next: holes that stay, are plugged or new; tape, parts."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from scheduler.core.balance.stands import stands
from scheduler.core.system.counts import Parts, TapePiece
from scheduler.core.system.layout import ROUNDING_M, Laid, TakeOff, take_offs
from scheduler.model import Garden, Planting, Tape, Zone

TOLERANCE_M = 0.0254
"""Default: 1 in.  A tape can be led that far aside of its row (common practice, no source)."""

HoleState = Literal["stays", "plug", "new"]


@dataclass(frozen=True, slots=True)
class Hole:
    """One hole of the supply line and what is done to it; `before`, `after`: its tape, None: none."""

    state: HoleState
    before: TakeOff | None
    after: TakeOff | None

    @property
    def at_m(self) -> float:
        """Where the hole is, or is to be made."""
        take_off = self.before or self.after
        assert take_off
        return take_off.at_m


@dataclass(frozen=True, slots=True)
class ZoneChange:
    """What is done to one zone's holes and tape."""

    zone: str
    holes: tuple[Hole, ...]  # in order along the line
    tapes: tuple[TapePiece, ...]  # in order of the new rows
    parts: Parts

    @property
    def changes(self) -> bool:
        """Whether anything is to be done: a hole to plug or make, a tape to cut back, extend or lay."""
        return any(hole.state != "stays" for hole in self.holes) or any(
            piece.work != "keep" for piece in self.tapes
        )


# --- the comparison ------------------------------------------------------------------------------


def changeover(
    before: Sequence[Laid],
    after: Sequence[Laid],
    *,
    tolerance_m: float = TOLERANCE_M,
    new_tape: Collection[str] = (),
) -> tuple[ZoneChange, ...]:
    """What is done to holes and tape of each zone, in the order of `before`, then those only in `after`.

    tolerance_m: two holes no farther apart count as the same.
    new_tape: zones that get new tape whatever the old could still do.

    >>> from scheduler.model import Rows
    >>> tape = Tape("thin", 0.05)
    >>> two, three = (Laid("bed", 0.0, Rows(count, 20.0, 1.0), tape) for count in (2, 3))
    >>> (change,) = changeover([two], [three])
    >>> [(hole.at_m, hole.state) for hole in change.holes], change.parts.tape_m
    ([(0.5, 'stays'), (1.5, 'stays'), (2.5, 'new')], 20.0)
    """
    if not tolerance_m >= 0:
        raise ValueError("the tolerance is 0 or more")
    old = {laid.zone: laid for laid in before}
    new = {laid.zone: laid for laid in after}
    return tuple(
        _zone(name, old.get(name), new.get(name), tolerance_m, fresh=name in new_tape)
        for name in dict.fromkeys((*old, *new))
    )


def _zone(name: str, old: Laid | None, new: Laid | None, tolerance_m: float, *, fresh: bool) -> ZoneChange:
    holes = _holes(take_offs(old) if old else (), take_offs(new) if new else (), tolerance_m)
    reused = not fresh and old is not None and new is not None and _same_tape(old.tape, new.tape)
    pieces: list[TapePiece] = []
    lifted = [hole.before.length_m for hole in holes if hole.before and (not hole.after or not reused)]
    for hole in holes:
        if hole.after:
            pieces.append(_piece(hole.before if reused else None, hole.after, tolerance_m))
    states = [hole.state for hole in holes]
    parts = Parts.of(pieces, new=states.count("new"), plugged=states.count("plug"), lifted_m=lifted)
    return ZoneChange(name, holes, tuple(pieces), parts)


def _holes(old: Sequence[TakeOff], new: Sequence[TakeOff], tolerance_m: float) -> tuple[Hole, ...]:
    """Both lists walked along the line: as many pairs within the tolerance as there can be."""
    found: list[Hole] = []
    i = j = 0
    while i < len(old) and j < len(new):
        apart = new[j].at_m - old[i].at_m
        if abs(apart) <= tolerance_m + ROUNDING_M:
            found.append(Hole("stays", old[i], new[j]))
            i, j = i + 1, j + 1
        elif apart > 0:
            found.append(Hole("plug", old[i], None))
            i += 1
        else:
            found.append(Hole("new", None, new[j]))
            j += 1
    found += [Hole("plug", take_off, None) for take_off in old[i:]]
    found += [Hole("new", None, take_off) for take_off in new[j:]]
    return tuple(found)


def best_shift(old: Laid, new: Laid, *, room_m: tuple[float, float], tolerance_m: float) -> tuple[float, int]:
    """Metres by which to move all new rows so that most holes stay, and how many then do.

    Of equal ones the smallest move, away from the line's beginning if there are two; at most half a spacing,
    and no hole outside `room_m` (along the line).

    >>> from scheduler.model import Rows
    >>> old, new = (Laid("bed", at_m, Rows(3, 20.0, 1.0), Tape("thin", 0.05)) for at_m in (0.0, 0.2))
    >>> best_shift(old, new, room_m=(0.0, 4.0), tolerance_m=0.02)
    (-0.2, 3)
    """
    olds, news = take_offs(old), take_offs(new)
    most = new.rows.spacing_m / 2
    low = max(-most, room_m[0] - news[0].at_m) - ROUNDING_M
    high = min(most, room_m[1] - news[-1].at_m) + ROUNDING_M
    moves = {0.0}
    for take_off in olds:
        # only tapes of the two rows beside this hole can come to it
        row = int((take_off.at_m - new.begins_m) // new.rows.spacing_m)
        first = max((row - 1) * new.rows.tapes, 0)
        for other in news[first : (row + 2) * new.rows.tapes]:
            moves.add(round(take_off.at_m - other.at_m, 4))
    tried = sorted((move for move in moves if low <= move <= high), key=lambda move: (abs(move), -move))

    def stay(move: float) -> int:
        moved = [TakeOff(t.at_m + move, t.row, t.length_m) for t in news]
        return sum(hole.state == "stays" for hole in _holes(olds, moved, tolerance_m))

    best = max(tried, key=stay)  # the first of equal ones
    return best, stay(best)


def _same_tape(one: Tape, other: Tape) -> bool:
    return one.name == other.name and one.flow_lpm_per_m == other.flow_lpm_per_m


def _piece(old: TakeOff | None, new: TakeOff, tolerance_m: float) -> TapePiece:
    if old is None:
        return TapePiece(new.row, "lay", new.length_m, new.length_m)
    longer = new.length_m - old.length_m
    if abs(longer) <= tolerance_m + ROUNDING_M:
        return TapePiece(new.row, "keep", old.length_m, 0.0)
    if longer < 0:
        return TapePiece(new.row, "cut back", new.length_m, 0.0)
    return TapePiece(new.row, "extend", new.length_m, longer)


# --- which layout lies when ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Chosen:
    """The planting whose rows stand for a zone on a date; None and a remark where there is none."""

    planting: Planting | None
    remark: str | None = None


def planting_on(garden: Garden, day: date, *, ahead: bool) -> dict[str, Chosen]:
    """By zone, the planting standing on `day`; else the next of that year (`ahead`), or the latest."""
    standing = {
        garden.zones[stand.zone].name: stand.planting
        for stand in stands(garden.zones, day, 1, garden.location, garden.supply)
    }
    return {
        zone.name: Chosen(standing[zone.name]) if zone.name in standing else _near(zone, day, ahead=ahead)
        for zone in garden.zones
    }


def _near(zone: Zone, day: date, *, ahead: bool) -> Chosen:
    if ahead:
        coming = [p for p in zone.plantings if p.planted > day and p.planted.year == day.year]
        if not coming:
            return Chosen(None, f"nothing stands on {day} or is planted later in {day.year}: left as it is")
        found, which = coming[0], "next"
    else:
        earlier = [p for p in zone.plantings if p.planted <= day]
        if not earlier:
            return Chosen(None, f"nothing was planted by {day}: no holes yet")
        found, which = earlier[-1], "latest"
    return Chosen(
        found, f"nothing stands on {day}; taken: the {which} planting, {found.crop.name} of {found.planted}"
    )
