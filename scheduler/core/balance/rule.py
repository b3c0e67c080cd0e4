"""The plain rule of a morning: who is watered, and for how many minutes (model M6, M7)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm
from scheduler.core.balance.tape import RunLimits, run_minutes
from scheduler.model import Zone


@dataclass(frozen=True, slots=True)
class RefillRule:
    """How a morning's minutes follow from the deficit, (zone,) arrays."""

    leave_room: Mm
    limits: RunLimits
    shared_valves: tuple[tuple[int, ...], ...] = ()  # zones on one valve open together

    @classmethod
    def of(cls, zones: tuple[Zone, ...]) -> RefillRule:
        """The grower's settings, `leave_room` to `longest_run`, as arrays."""
        return cls(np.array([z.leave_room_mm for z in zones]), RunLimits.of(zones), shared_valves(zones))

    def after(self, had: Minutes, takes_part: BoolArray) -> RefillRule:
        """The same for what is left of a day on which zones had so many minutes of water, (zone,).

        A longest run is the most a day: zones on one valve, of those that take part, may have what the
        longest of theirs leaves, whoever of them had most.  A rest below the shortest run is none.

        >>> limits = RunLimits(np.zeros(3), np.full(3, 5.0), np.array([40.0, 40.0, np.inf]))
        >>> rule = RefillRule(np.zeros(3), limits, ((0, 1),))
        >>> rule.after(np.array([30.0, 12.0, 90.0]), np.ones(3, dtype=bool)).limits.longest.tolist()
        [10.0, 10.0, inf]
        >>> rule.after(np.array([0.0, 39.0, 0.0]), np.ones(3, dtype=bool)).limits.longest.tolist()
        [0.0, 0.0, inf]
        """
        if not had.any():
            return self
        longest, shared = self.limits.longest.copy(), {z for group in self.shared_valves for z in group}
        alone = ((z,) for z in range(len(longest)) if z not in shared)
        for group in (*self.shared_valves, *alone):
            members = [z for z in group if takes_part[z]]
            used = max((had[z] for z in members), default=0.0)
            if used <= 0:
                continue
            left = np.floor(max(longest[z] for z in members) - used + 1e-9)
            least = min(min(self.limits.shortest_whole[z], longest[z]) for z in members)
            longest[members] = np.minimum(longest[members], left if left >= least else 0.0)
        limits = RunLimits(self.limits.fill, self.limits.shortest, longest)
        return RefillRule(self.leave_room, limits, self.shared_valves)

    def of_zones(self, which: IntArray) -> RefillRule:
        """The same laid out for zones in another order, or some of them.

        >>> limits = RunLimits(np.zeros(2), np.full(2, 5.0), np.full(2, np.inf))
        >>> RefillRule(np.array([0.0, 3.0]), limits).of_zones(np.array([1, 0])).leave_room.tolist()
        [3.0, 0.0]
        """
        return RefillRule(self.leave_room[which], self.limits.of_zones(which), self.shared_valves)


def shared_valves(zones: Sequence[Zone]) -> tuple[tuple[int, ...], ...]:
    """Groups of two or more zones that hang on one valve, as indices."""
    by_key: dict[str, list[int]] = {}
    for i, zone in enumerate(zones):
        by_key.setdefault(zone.valve.key, []).append(i)
    return tuple(tuple(group) for group in by_key.values() if len(group) > 1)


def morning_minutes(
    deficit: Mm,
    rule: RefillRule,
    *,
    trigger: Mm,
    raw: Mm,
    minutes_per_mm: FloatArray,
    settle: Minutes | None,
    least_net: Mm | None = None,
    standing: BoolArray | None = None,
) -> Minutes | None:
    """Whole minutes of each zone on one morning; None where no zone is watered (most mornings: be quick).

    All arguments (zone,).  deficit, trigger, raw: mm, last night's; a zone is due from its trigger on, and
    is refilled but for `leave_room`.  least_net: mm that a planting day or a seedbed wants
    in any case.  settle: minutes that a settling run asks for, whatever the deficit.
    standing: which zones of a shared valve may be opened; all of them then take the longest one's minutes.
    Source: model M6 and M7 (common practice for drip: little and often).

    >>> rule = RefillRule(np.zeros(2), RunLimits(np.zeros(2), np.full(2, 5.0), np.full(2, np.inf)))
    >>> morning_minutes(np.array([4.0, 9.0]), rule, trigger=np.array([5.0, 5.0]), raw=np.full(2, 10.0),
    ...                 minutes_per_mm=np.full(2, 6.0), settle=None).tolist()
    [0.0, 54.0]
    """
    due = deficit >= trigger
    wanted = due if settle is None else due | (settle > 0)
    if least_net is not None:
        wanted = wanted | (least_net > 0)
    which = np.flatnonzero(wanted)
    if not len(which):
        return None
    some = rule.of_zones(which)
    net = np.where(due[which], deficit[which] - some.leave_room, 0.0)
    if least_net is not None:
        net = np.maximum(net, least_net[which])
    stressed = (deficit[which] >= raw[which]) & (net > 0)
    run = run_minutes(net, minutes_per_mm[which], some.limits, stressed=stressed)
    if settle is not None:
        run = np.minimum(np.maximum(run, np.ceil(settle[which])), some.limits.longest)
    minutes = np.zeros(len(deficit))
    minutes[which] = run
    for group in rule.shared_valves:
        members = [i for i in group if standing is None or standing[i]]
        if members:
            minutes[members] = minutes[members].max()
    return minutes
