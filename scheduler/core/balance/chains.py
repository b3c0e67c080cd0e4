"""Stretches of a zone's days that do not depend on each other, laid out to be walked side by side.

A zone's years are often independent: winter rain fills the soil whatever the fall left.  Thirty years then
cost little more steps than one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, IntArray, Mm
from scheduler.core.balance.terms import Terms


@dataclass(frozen=True, slots=True)
class Chains:
    """Step k of every chain lies in one piece, `at[k]:at[k + 1]` of the arrays below.

    Chains come longest first, so that those which still go on are always the first few.
    """

    zone: IntArray  # (chain,)
    place: IntArray  # (chain-day,) where it lies in a (day, zone) array laid flat
    at: IntArray  # (step + 1,)
    planted: IntArray  # (planting,) chains in which a planting begins, in the order of steps
    planted_place: IntArray  # (planting,)
    planted_at: IntArray  # (step + 1,) the plantings of step k are planted_at[k]:planted_at[k + 1]
    deficit: Mm  # (planting,) Dr it begins with; nan: what its chain has
    gap: tuple[IntArray, IntArray]  # (chain,) place of its last planted day, and the bare days after it

    @property
    def steps(self) -> int:
        """Steps of the longest chain, days; 0 where nothing is planted."""
        return len(self.at) - 1

    def of_step(self, k: int) -> tuple[slice, slice]:
        """Step k's part of the (chain-day,) arrays, and of the plantings."""
        return slice(self.at[k], self.at[k + 1]), slice(self.planted_at[k], self.planted_at[k + 1])


class _Spans(NamedTuple):
    """(chain,) arrays: the days walked, and up to which day the bare ones after them go."""

    zone: IntArray
    begin: IntArray
    end: IntArray
    until: IntArray


def chains_of(terms: Terms, wetting: Mm, starting_deficit: Mm, *, together: bool) -> Chains:
    """Each zone from its first planting on, cut where the water of a bare gap fills the soil in any case.

    wetting: (day, zone) mm of rain and given water; starting_deficit: (zone,) mm.  At its end a planting
    lacks at most its TAW, so a gap with more water than that ends at field capacity.  A chain ends with its
    last planting; the bare days after it need no crop and no decision.
    together: no cuts, and all zones from day 0 to the last: zones on one valve have to meet on the same day.
    """
    first = first_of_zone(terms)
    filled = filled_before(terms, wetting) & ~first
    deficit = np.where(first, starting_deficit[terms.flat.stand_zone], np.nan)
    if not together:
        deficit[filled] = 0.0
    return chains_from(terms, filled, deficit, together=together)


def chains_from(terms: Terms, opens: BoolArray, deficit: Mm, *, together: bool) -> Chains:
    """Chains of which each begins with a planting that `opens`, or with a zone's first one.

    opens, deficit (mm, nan where the chain's own goes on): (planting,).  together: as in `chains_of`.
    """
    count, width = terms.stand.shape
    zone, begin, end = terms.flat.stand_zone, terms.flat.stand_begin, terms.flat.stand_end
    if together:
        all_days = np.full(width, count)
        spans = _Spans(np.arange(width), np.zeros(width, dtype=np.int64), all_days, all_days)
        return _by_step(spans, zone, begin, deficit, width)
    first = first_of_zone(terms)
    cut = first | opens
    at = np.flatnonzero(cut)
    last = np.append(at, len(zone))[1:] - 1
    until = np.append(np.where(first, count, begin), count)[last + 1]
    spans = _Spans(zone[at], begin[at], end[last], until)
    return _by_step(spans, np.cumsum(cut) - 1, begin, deficit, width)


def first_of_zone(terms: Terms) -> BoolArray:
    """(planting,) whether the balance of its zone begins with it."""
    return np.asarray(np.diff(terms.flat.stand_zone, prepend=-1) != 0)


def filled_before(terms: Terms, wetting: Mm) -> BoolArray:
    """(planting,) whether the gap before it gave the soil more water than the planting before it can lack.

    wetting: (day, zone) mm.
    """
    zone, begin, end = terms.flat.stand_zone, terms.flat.stand_begin, terms.flat.stand_end
    water = np.zeros((len(wetting) + 1, wetting.shape[1]))
    np.cumsum(wetting, axis=0, out=water[1:])
    got = water[begin[1:], zone[1:]] - water[end[:-1], zone[1:]]
    fills = (begin[1:] > end[:-1]) & (got > terms.taw[end[:-1] - 1, zone[:-1]] * (1 + 1e-9))
    return np.concatenate([np.zeros(min(len(zone), 1), dtype=bool), fills])


def _by_step(spans: _Spans, chain: IntArray, planted: IntArray, deficit: Mm, width: int) -> Chains:
    """The spans, longest first, and their days step by step; chain, planted (a day), deficit: (planting,)."""
    longest_first = np.argsort(spans.begin - spans.end, kind="stable")
    zone, begin, end, until = (a[longest_first] for a in spans)
    length = end - begin
    steps = int(length.max(initial=0))
    going = np.searchsorted(-length, -np.arange(steps), side="left")  # chains longer than k
    at = np.concatenate([[0], np.cumsum(going)])
    of_chain = np.arange(at[-1]) - np.repeat(at[:-1], going)
    place = (begin * width + zone)[of_chain] + np.repeat(np.arange(steps) * width, going)
    rank = np.argsort(longest_first)[chain]
    step = planted - begin[rank]
    order = np.argsort(step, kind="stable")
    return Chains(
        zone=zone,
        place=place,
        at=at,
        planted=rank[order],
        planted_place=(planted * width + zone[rank])[order],
        planted_at=np.searchsorted(step[order], np.arange(steps + 1)),
        deficit=deficit[order],
        gap=((end - 1) * width + zone, until - end),
    )
