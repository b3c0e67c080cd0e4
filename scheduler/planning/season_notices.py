"""What a season's plantings want told: one line for each zone and crop, however many years were simulated."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import IntArray
from scheduler.core.balance.soil import Balance
from scheduler.core.balance.sowing import started_by
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.stored import Stored
from scheduler.core.balance.terms import Terms
from scheduler.model import Crop, Garden, Notice
from scheduler.show import show_depth, show_temperature

LAST_DAYS = 3
"""Days ahead that the end of a crop's water is told (model M3)."""
HOT_SOWING_C = 30.0
COOL_SEEDS = ("lettuce", "spinach")
"""Their seed hardly sprouts in hot soil (from memory)."""


def of_plantings(garden: Garden, terms: Terms, balance: Balance, record: Stored) -> Iterator[Notice]:
    """Stages that are over, water that ended, seed that the tape does not reach, seed sown in the heat."""
    told = _Season(garden, terms, balance, record)
    for (z, _), which in _by_zone_and_crop(terms.stands).items():
        for notice in told.of(np.array(which)):
            yield Notice(
                notice.level, f"{garden.zones[z].name}: {notice.text}", "soil", (garden.zones[z].name,)
            )
    yield from _by_days_instead(terms.stands, record)


def _by_zone_and_crop(stands: Sequence[Stand]) -> dict[tuple[int, str], list[int]]:
    found: dict[tuple[int, str], list[int]] = {}
    for k, stand in enumerate(stands):
        found.setdefault((stand.zone, stand.planting.crop.name), []).append(k)
    return found


class _Season:
    """(stand,) counts of the days that want telling."""

    def __init__(self, garden: Garden, terms: Terms, balance: Balance, record: Stored) -> None:
        self.terms, self.record, self.display = terms, record, garden.display
        self.apart = balance.apart
        flat = terms.flat
        last = np.array([s.fixed.pace.bounds[3] for s in terms.stands])
        past = flat.x > last[flat.stand] if len(last) else np.zeros(0, dtype=bool)
        self.past = np.bincount(flat.stand[past], minlength=len(last))

    def of(self, which: IntArray) -> Iterator[Notice]:
        """Of plantings of one crop in one zone."""
        yield from self._still_growing(which)
        yield from self._water_ends(which)
        yield from self._sprinkle(which)
        yield from self._sown_hot(which)

    def _date(self, day: int) -> date:
        return self.terms.first + timedelta(days=int(day))

    def _still_growing(self, which: IntArray) -> Iterator[Notice]:
        late = which[self.past[which] > 0]
        if not len(late):
            return
        newest = self.terms.stands[late[-1]]
        since = self._date(newest.end - self.past[late[-1]])
        what = _named([self.terms.stands[k] for k in late])
        pulled = newest.planting.pulled
        end = "done: `note pulled`, or `pulled` in garden.yaml" if pulled is None else f"pulled {pulled}"
        yield Notice(
            "info",
            f"{what} still growing past its last stage on {self.past[late].sum()} days, "
            f"{'the latest ' if len(late) > 1 else ''}from {since} on: watered as in its last stage; {end}",
        )

    def _water_ends(self, which: IntArray) -> Iterator[Notice]:
        """Of crops that their stages end, not a person: status 3 where that left one without water."""
        ended = [self.terms.stands[k] for k in which if self._ended_by_itself(int(k))]
        if ended:
            yield Notice(
                "look",
                f"{_named(ended)} got no more water from {self._date(ended[-1].end)} on, its last stage "
                "over (`hold_last_stage: false`); `pulled` says when it is done, else it is watered on",
            )  # fmt: skip
        last = self.terms.stands[which[-1]]
        if left := self._days_left(last):
            yield Notice(
                "info",
                f"{last.planting.crop.name} gets no more water from {self._date(last.end + left - 1)} on, "
                "its last stage over (`hold_last_stage: false`); still growing: take that line out",
            )

    def _ended_by_itself(self, k: int) -> bool:
        stand, stands = self.terms.stands[k], self.terms.stands
        follows = (
            k + 1 < len(stands) and stands[k + 1].zone == stand.zone and stands[k + 1].begin == stand.end
        )
        pulled = stand.planting.pulled == self._date(stand.end)
        return not stand.planting.crop.hold_last_stage and not follows and not pulled and _over(stand, 1)

    def _days_left(self, stand: Stand) -> int:
        """Days to the first one without water, where that is near and after the simulated ones; else 0."""
        if stand.planting.crop.hold_last_stage or stand.end < len(self.terms.stand) or _over(stand, 1):
            return 0
        return next((days for days in range(2, LAST_DAYS + 1) if _over(stand, days)), 0)

    def _sprinkle(self, which: IntArray) -> Iterator[Notice]:
        if self.apart is None:
            return
        days, most = 0, 0.0
        wanting: list[Stand] = []
        for k in which.tolist():
            stand = self.terms.stands[k]
            mm = self.apart.sprinkle[stand.begin : stand.end, stand.zone]
            if mm.any():
                days, most = days + int(np.count_nonzero(mm)), max(most, float(mm.max()))
                wanting.append(stand)
        if wanting:
            yield Notice(
                "info",
                f"the tape lies too deep to wet the seed of {_named(wanting)}: sprinkle over the seed rows "
                f"on {days} days, at most {show_depth(most, self.display)} (not booked here)",
            )

    def _sown_hot(self, which: IntArray) -> Iterator[Notice]:
        hot = [k for k in which.tolist() if self._hot(self.terms.stands[k]) > HOT_SOWING_C]
        if hot:
            stand = self.terms.stands[hot[-1]]
            heat = show_temperature(self._hot(stand), self.display)
            often = f" ({len(hot)} sowings)" if len(hot) > 1 else ""
            yield Notice(
                "info",
                f"{stand.planting.crop.name} sown on {stand.planting.planted} at {heat}{often}: "
                "sow at dusk, water twice, shade",
            )

    def _hot(self, stand: Stand) -> float:
        """Tmax of the day on which seed that fears it was sown; nan for all other plantings."""
        planting, at = stand.planting, self.record.index(stand.planting.planted)
        sown = started_by(planting) == "seed" and _is_one_of(planting.crop, COOL_SEEDS)
        return float(self.record.tmax_c[at]) if sown and stand.day_no == 1 else np.nan


def _over(stand: Stand, days: int) -> bool:
    """Whether the last stage is over that many days after the stand's last one."""
    pace = stand.fixed.pace
    number = stand.day_no + stand.end - stand.begin - 1 + days
    return bool(pace.x(np.array([number], dtype=np.float64))[0] > pace.bounds[3])


def _is_one_of(crop: Crop, names: Sequence[str]) -> bool:
    return crop.name in names or crop.like in names


def _named(stands: Sequence[Stand]) -> str:
    """The crop, and which planting of it, or how many."""
    newest = stands[-1].planting
    which = f"of {newest.planted}" if len(stands) == 1 else f"({len(stands)} plantings)"
    return f"{newest.crop.name} {which}"


def _by_days_instead(stands: Sequence[Stand], record: Stored) -> Iterator[Notice]:
    """Crops that would go by heat units, and why they do not: once, whatever the zones and years."""
    too_old, too_few = dict[str, None](), dict[str, None]()
    for stand in stands:
        planting = stand.planting
        if planting.crop.heat is not None and planting.heat and stand.fixed.pace.sums is None:
            early = record.index(planting.planted) < 0
            (too_old if early else too_few)[planting.crop.name] = None
    for crops, why in (
        (too_old, "planted before the weather file begins"),
        (too_few, "fewer than 3 seasons lie before the planting in the weather file"),
    ):
        if crops:
            yield Notice("info", f"stages by days, not by heat units: {', '.join(crops)} ({why})", "soil")
