"""When a planting's stages begin, and what an observed one moves (model M3, M11)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import get_args

import numpy as np

from scheduler.core.balance.stands import stands
from scheduler.core.balance.stored import Stored
from scheduler.model import Location, Planting, Stage, Supply, Zone
from scheduler.planning.notes import standing_on

STAGES: tuple[Stage, ...] = get_args(Stage)
LOOK_AHEAD_DAYS = 400
"""Of a planting whose sums the season does not reach by then, nothing is said."""


@dataclass(frozen=True, slots=True)
class StageMoved:
    """A stage that was seen to begin, and the later ones: where each is, and where it was without that."""

    zone: str
    planting: Planting
    stage: Stage
    day: date
    was: date | None  # None: not within sight
    later: tuple[tuple[Stage, date | None, date | None], ...]  # stage, was, is


def stage_dates(
    zone: Zone, planting: Planting, location: Location, supply: Supply, record: Stored | None
) -> Mapping[Stage, date]:
    """First day of each stage that is in sight; one without length is left out.

    record: the stored weather, for stages that go by warmth: coming days take the mean that ET0 would.
    """
    zone = replace(zone, plantings=(replace(planting, pulled=None),))
    (stand,) = stands(
        [zone], planting.planted, 1, location, supply, None if record is None else _and_ahead(record)
    )
    pace = stand.fixed.pace
    x = pace.x(np.arange(1, LOOK_AHEAD_DAYS + 1).astype(np.float64))
    begins = np.concatenate([[0], np.searchsorted(x, pace.bounds[:3], side="right")])
    ends = np.append(begins[1:], LOOK_AHEAD_DAYS)
    return {
        stage: planting.planted + timedelta(days=int(begin))
        for stage, begin, end in zip(STAGES, begins, ends, strict=True)
        if begin < end
    }


def _and_ahead(record: Stored) -> Stored:
    """With a season of days to come that nobody knows."""
    unknown = np.full(LOOK_AHEAD_DAYS, np.nan)
    return Stored(record.first, *(np.append(getattr(record, f.name), unknown) for f in fields(record)[1:]))


def stage_moved(
    zone: Zone,
    planting: Planting,
    stage: Stage,
    location: Location,
    supply: Supply,
    record: Stored | None,
    *,
    before: Planting | None = None,
) -> StageMoved:
    """What the first day of `stage`, one of the planting's observed ones, moves.

    before: the planting without what is new; None: without that day.
    """

    def dates(one: Planting) -> Mapping[Stage, date]:
        return stage_dates(zone, one, location, supply, record)

    without = replace(planting, observed=tuple(one for one in planting.observed if one[0] != stage))
    reckoned, now = dates(without), dates(planting)
    was = reckoned if before is None else dates(before)
    after = STAGES[STAGES.index(stage) + 1 :]
    return StageMoved(
        zone.name, planting, stage, dict(planting.observed)[stage], reckoned.get(stage),
        tuple((name, was.get(name), now.get(name)) for name in after if name in was or name in now),
    )  # fmt: skip


def stages_moved(
    zones: Sequence[Zone], day: date, location: Location, supply: Supply, record: Stored | None
) -> list[StageMoved]:
    """Of every crop that stands on a day, the latest of its stages that was seen to begin."""
    found = []
    for zone in zones:
        planting = standing_on(zone, day)
        seen = [] if planting is None else [one for one in planting.observed if one[1] <= day]
        if planting is not None and seen:
            stage = max(seen, key=lambda one: one[1])[0]
            found.append(stage_moved(zone, planting, stage, location, supply, record))
    return found
