"""The grower's notes of what was planted, pulled and seen, laid over garden.yaml."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from scheduler.core.balance.crop import STAGES
from scheduler.errors import BadInput, RowwaterError
from scheduler.model import Note, NoteKind, Planting, Stage, Zone

MakePlanting = Callable[[Zone, str, date], Planting]
Observed = tuple[tuple[Stage, date], ...]

MOST_DAYS_MOVED = 180
"""A planting farther from the day it was noted on is another year's: common practice, no source."""


class LeftAside(NamedTuple):
    """A note that cannot be followed, and why: its crop has left crops.yaml, nothing stands on its day."""

    note: Note
    why: str

    @property
    def what(self) -> str:
        """What was noted, in a word or two."""
        match self.note.kind:
            case "planted":
                return f"{self.note.details.get('crop', 'a crop')} planted"
            case "stage":
                return str(self.note.details.get("stage", "stage"))
        return self.note.kind


def with_notes(
    zones: Sequence[Zone], notes: Iterable[Note], make_planting: MakePlanting | None
) -> tuple[Zone, ...]:
    """The zones of `lay_over`."""
    return lay_over(zones, notes, make_planting)[0]


def lay_over(
    zones: Sequence[Zone], notes: Iterable[Note], make_planting: MakePlanting | None
) -> tuple[tuple[Zone, ...], tuple[LeftAside, ...]]:
    """The zones with what the grower really planted, pulled and saw laid over the plan in garden.yaml.

    `planted` moves the planting of that crop whose date is nearest, or adds one on the zone's own rows;
    `pulled` ends the planting that stood before that day.  What was seen is of the planting that stands on
    its day once all that is known, whatever was told first; of two notes of one thing the later counts.
    What cannot be followed is left aside.
    """
    out, aside = {zone.name: zone for zone in zones}, []
    known = [(note, out[note.zone].name) for note in notes if note.zone in out]
    for acts in (_of_crops(make_planting), SEEN):
        for note, name in known:
            if note.kind not in acts:
                continue
            try:
                changed = acts[note.kind](out[name], note)
            except RowwaterError as error:
                aside.append(LeftAside(note, error.text))
                continue
            out[name] = replace(out[name], plantings=tuple(sorted(changed, key=lambda p: p.planted)))
    return tuple(out.values()), tuple(aside)


def standing_on(zone: Zone, day: date) -> Planting | None:
    """The latest planting begun by then, unless it was pulled; its table may have ended before."""
    latest = max((p for p in zone.plantings if p.planted <= day), key=lambda p: p.planted, default=None)
    return None if latest is None or (latest.pulled is not None and latest.pulled <= day) else latest


def why_nothing_stands(zone: Zone, day: date) -> str:
    """The planting before a day and the one after it, in words."""
    gone = max((p for p in zone.plantings if p.planted <= day), key=lambda p: p.planted, default=None)
    to_come = min((p for p in zone.plantings if p.planted > day), key=lambda p: p.planted, default=None)
    said = []
    if gone is not None and gone.pulled is not None:
        said.append(f"{gone.crop.name} was pulled on {gone.pulled:%a %Y-%m-%d}")
    if to_come is not None:
        said.append(f"{to_come.crop.name} is planted on {to_come.planted:%a %Y-%m-%d}")
    return f"nothing stands in {zone.name} on {day:%a %Y-%m-%d}{': ' * bool(said)}{', '.join(said)}"


Act = Callable[[Zone, Note], list[Planting]]


def _of_crops(make_planting: MakePlanting | None) -> Mapping[NoteKind, Act]:
    return {"planted": lambda zone, note: _planted(zone, note, make_planting), "pulled": _pulled}


def _planted(zone: Zone, note: Note, make_planting: MakePlanting | None) -> list[Planting]:
    plantings = list(zone.plantings)
    crop = str(note.details["crop"])
    moved = planting_moved(zone, crop, note.day)
    if moved is not None:
        plantings[plantings.index(moved)] = replace(moved, planted=note.day)
        return plantings
    if make_planting is None:
        raise BadInput(f"{zone.name}: no planting of {crop} in garden.yaml")
    return [*plantings, make_planting(zone, crop, note.day)]


def planting_moved(zone: Zone, crop: str, day: date) -> Planting | None:
    """The planting that was noted as planted on a day: of that crop, the nearest within half a year."""
    same = [p for p in zone.plantings if p.crop.name == crop]
    nearest = min(same, key=lambda p: abs((p.planted - day).days), default=None)
    return None if nearest is None or abs((nearest.planted - day).days) > MOST_DAYS_MOVED else nearest


def _pulled(zone: Zone, note: Note) -> list[Planting]:
    ended = planting_pulled(zone, note.day)
    return [replace(p, pulled=note.day) if p is ended else p for p in zone.plantings]


def planting_pulled(zone: Zone, day: date) -> Planting | None:
    """The planting that was noted as pulled on a day: the latest begun before, though its time was over."""
    return max((p for p in zone.plantings if p.planted < day), key=lambda p: p.planted, default=None)


# --- what was seen -------------------------------------------------------------------------------


def _of_standing(change: Callable[[Planting, Note], Planting]) -> Act:
    def act(zone: Zone, note: Note) -> list[Planting]:
        standing = standing_on(zone, note.day)
        if standing is None:
            raise BadInput(why_nothing_stands(zone, note.day))
        return [change(p, note) if p is standing else p for p in zone.plantings]

    return act


def _emerged(planting: Planting, note: Note) -> Planting:
    return replace(planting, emerged=note.day)


def _stage(planting: Planting, note: Note) -> Planting:
    stage: Stage = note.details["stage"]
    return replace(planting, observed=(*agreeing(planting.observed, stage, note.day), (stage, note.day)))


def agreeing(observed: Observed, stage: Stage, day: date) -> Observed:
    """What was seen of other stages, without what cannot be where this one began on that day."""
    k = STAGES.index(stage)
    return tuple(
        (other, seen)
        for other, seen in observed
        if other != stage and ((seen < day) if STAGES.index(other) < k else (seen > day))
    )


def _cover(planting: Planting, note: Note) -> Planting:
    others = tuple((day, share) for day, share in planting.covers_seen if day != note.day)
    return replace(planting, covers_seen=(*others, (note.day, float(note.details["cover"]))))


def _dry_off(planting: Planting, note: Note) -> Planting:
    return replace(planting, dry_from=note.day)


SEEN: Mapping[NoteKind, Act] = {
    "emerged": _of_standing(_emerged),
    "stage": _of_standing(_stage),
    "cover": _of_standing(_cover),
    "dry-off": _of_standing(_dry_off),
}

OF_THE_BALANCE = frozenset({"planted", "pulled", "sprinkled", *SEEN})
"""Kinds of notes on which the balance of days gone by rests, water, rain and soil readings aside."""


def sprinkled(notes: Iterable[Note]) -> tuple[tuple[str, date, float], ...]:
    """(zone, day, mm) over seed rows, besides the tape; two notes add up."""
    return tuple(
        (note.zone, note.day, float(note.details["mm"]))
        for note in notes
        if note.kind == "sprinkled" and note.zone is not None
    )


def feeds(notes: Iterable[Note]) -> frozenset[tuple[str, date]]:
    """(zone, day) on which the grower feeds through the tape."""
    return frozenset((note.zone, note.day) for note in notes if note.kind == "feed" and note.zone is not None)
