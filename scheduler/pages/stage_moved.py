"""What the first day of a stage, as it was seen, moves (model M11)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import get_args

from scheduler.core.balance.stands import stands
from scheduler.core.balance.stored import Stored
from scheduler.model import Location, Planting, Stage, Supply, Zone
from scheduler.pages.stage_dates import stage_ends

STAGES: tuple[Stage, ...] = get_args(Stage)


@dataclass(frozen=True, slots=True)
class StageMoved:
    """A stage that was seen to begin, and the later ones: where each is, and where it was without that."""

    planting: Planting
    stage: Stage
    day: date
    was: date | None  # None: not within sight
    later: tuple[tuple[Stage, date | None, date | None], ...]  # stage, was, is


@dataclass(frozen=True, slots=True)
class Site:
    """What the pace of a zone's plantings hangs on."""

    zone: Zone
    location: Location
    supply: Supply
    record: Stored | None  # the stored weather, for stages that go by warmth

    def stage_dates(self, planting: Planting) -> Mapping[Stage, date]:
        """First day of each stage, as far as it can be reckoned; one without length is left out."""
        zone = replace(self.zone, plantings=(replace(planting, pulled=None),))
        (stand,) = stands([zone], planting.planted, 1, self.location, self.supply, self.record)
        ends = stage_ends(stand) or []
        begins = [planting.planted, *(end + timedelta(days=1) for end in ends)]
        return {stage: begin for stage, begin, end in zip(STAGES, begins, ends, strict=False) if begin <= end}

    def moved(self, before: Planting, after: Planting, stage: Stage) -> StageMoved:
        """What is moved by `stage`, an observed one of `after` that `before` does not know of yet."""
        others = tuple(one for one in after.observed if one[0] != stage)
        reckoned = self.stage_dates(replace(after, observed=others))
        was, now = self.stage_dates(before), self.stage_dates(after)
        return StageMoved(
            after, stage, dict(after.observed)[stage], reckoned.get(stage),
            tuple(
                (name, was.get(name), now.get(name))
                for name in STAGES[STAGES.index(stage) + 1 :]
                if name in was or name in now
            ),
        )  # fmt: skip
