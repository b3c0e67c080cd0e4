"""Which rows or zones share a valve: the fewest sections within the usable flow, like with like."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

EXACT_UP_TO = 24
"""Loads; beyond, first-fit rules and their gap to the lower bound take the place of a proof."""
MOST_STEPS = 1_000_000
"""Sets weighed by the exact search before it gives up and says `exact = False`: some seconds. 3,100 random
gardens of up to 24 loads, most of them harder than a real one, stayed within it."""
MOST_KINDS_CLUSTERED = 9
UNITS_PER_LPM = 1_000_000  # flows are summed as whole numbers, so 0.1 + 0.2 fits into 0.3


@dataclass(frozen=True, slots=True)
class Load:
    """A row or zone that opens as a whole.

    kind: what makes loads alike, for example (crop, stage, root depth class).
    """

    name: str
    flow_lpm: float
    kind: Hashable = None


@dataclass(frozen=True, slots=True)
class Sections:
    """Loads grouped to run together, and how far the grouping is proven to be the best."""

    groups: tuple[tuple[str, ...], ...]  # names, as given; sections in the order of their first name
    flows_lpm: tuple[float, ...]
    mixed: int  # over all sections, the kinds beyond one
    at_least: int  # no grouping can have fewer sections (bound L2, and one for each load that is too large)
    exact: bool  # both the number of sections and `mixed` are proven the least

    @property
    def gap(self) -> int:
        """Sections above the lower bound: 0 proves that there cannot be fewer."""
        return len(self.groups) - self.at_least


def sections(loads: Sequence[Load], usable_lpm: float) -> Sections:
    """Group loads so that each section's flow stays within `usable_lpm`.

    First the fewest sections, then the fewest kinds mixed in them (sum over sections of kinds beyond one);
    where both allow, the flows are evened out between sections.  Exact up to 24 loads (section after section
    filled as in Martello and Toth, Knapsack Problems 1990, ch. 8, with their bound L2); beyond, the best of
    four first-fit decreasing rules.

    >>> found = sections([Load("a", 6.0), Load("b", 5.0), Load("c", 4.0)], usable_lpm=10.0)
    >>> found.groups, found.flows_lpm, found.gap        # 15 L/min do not go through 10 at once
    ((('a',), ('b', 'c')), (6.0, 9.0), 0)
    """
    if usable_lpm <= 0:
        raise ValueError("the usable flow is above 0")
    if any(load.flow_lpm < 0 for load in loads):
        raise ValueError("a flow is not negative")
    room = int(usable_lpm * UNITS_PER_LPM + 0.5)
    sizes = [int(load.flow_lpm * UNITS_PER_LPM + 0.5) for load in loads]
    kinds = _numbered(load.kind for load in loads)
    small = [i for i, size in enumerate(sizes) if size <= room]
    large = [i for i, size in enumerate(sizes) if size > room]
    packing = _Packing(room, sizes, kinds)
    bound = lower_bound([sizes[i] for i in small], room)
    bins = packing.by_rules(small)
    exact = len(small) <= EXACT_UP_TO
    if exact:
        bins, exact = packing.proven(small, bins, bound)
    packing.even_out(bins)
    ordered = sorted([sorted(b) for b in bins] + [[i] for i in large])
    return Sections(
        groups=tuple(tuple(loads[i].name for i in b) for b in ordered),
        flows_lpm=tuple(sum(loads[i].flow_lpm for i in b) for b in ordered),
        mixed=packing.mixed(ordered),
        at_least=bound + len(large),
        exact=exact,
    )


def lower_bound(sizes: Sequence[int], room: int) -> int:
    """No fewer sections can hold `sizes` (bound L2 of Martello and Toth 1990).

    >>> lower_bound([6, 6, 6, 4], 10), lower_bound([5, 5, 5], 10)
    (3, 2)
    """
    best = 0
    for alpha in {0, *(size for size in sizes if 2 * size <= room)}:
        alone = sum(1 for size in sizes if size > room - alpha)
        halves = [size for size in sizes if size <= room - alpha and 2 * size > room]
        rest = sum(size for size in sizes if alpha <= size and 2 * size <= room)
        over = rest - (len(halves) * room - sum(halves))
        best = max(best, alone + len(halves) + max(0, -(-over // room)))
    return best


def _numbered(kinds: Iterable[Hashable]) -> list[int]:
    seen: dict[Hashable, int] = {}
    return [seen.setdefault(kind, len(seen)) for kind in kinds]


Bins = list[list[int]]


class _TooManySteps(Exception):
    pass


class _Packing:
    def __init__(self, room: int, sizes: Sequence[int], kinds: Sequence[int]) -> None:
        self.room, self.sizes, self.kinds = room, sizes, kinds
        self.steps = 0

    def mixed(self, bins: Bins) -> int:
        return sum(len({self.kinds[i] for i in b}) - 1 for b in bins)

    def load(self, items: Iterable[int]) -> int:
        return sum(self.sizes[i] for i in items)

    # --- rules of thumb ---

    def by_rules(self, items: Sequence[int]) -> Bins:
        falling = sorted(items, key=lambda i: -self.sizes[i])
        by_kind = self.kind_by_kind(items)
        blocks, full = [], []
        for group in by_kind:  # a kind's full sections stand; what is left of each kind is put together whole
            *whole, last = self.first_fit([[i] for i in group])
            full.extend(whole)
            blocks.append(last)
        blocks.sort(key=self.load, reverse=True)
        tries = [
            self.first_fit([[i] for i in falling]),
            self.first_fit([[i] for i in falling], like_first=True),
            self.first_fit([[i] for group in by_kind for i in group], like_first=True),
            full + self.first_fit(blocks),
        ]
        return min(tries, key=lambda bins: (len(bins), self.mixed(bins)))

    def kind_by_kind(self, items: Sequence[int]) -> list[list[int]]:
        """Largest kind first, in each the largest load first."""
        groups: dict[int, list[int]] = {}
        for i in sorted(items, key=lambda i: -self.sizes[i]):
            groups.setdefault(self.kinds[i], []).append(i)
        return sorted(groups.values(), key=self.load, reverse=True)

    def first_fit(self, blocks: Sequence[list[int]], *, like_first: bool = False) -> Bins:
        bins: Bins = []
        for block in blocks:
            open_bins = [b for b in bins if self.load(b) + self.load(block) <= self.room]
            if like_first:
                kind = self.kinds[block[0]]
                open_bins.sort(key=lambda b: kind not in {self.kinds[i] for i in b})
            if open_bins:
                open_bins[0].extend(block)
            else:
                bins.append(list(block))
        return bins

    # --- exact search ---

    def proven(self, items: Sequence[int], bins: Bins, bound: int) -> tuple[Bins, bool]:
        """The best grouping, and whether the search could finish."""
        self.steps = 0
        try:
            for count in range(bound, len(bins)):
                found = _Search(self, items, count, enough=None).run(before=None)
                if found is not None:
                    bins = found
                    break
            groups = self.kind_by_kind(items)
            least = max(
                sum(self.fewest(group) for group in groups),
                len(bins) + len(groups) - self.most_clusters(groups, len(bins)),
            )
            pairs = self.mixed(bins) + len(bins)
            if pairs > least:
                bins = _Search(self, items, len(bins), enough=least).run(before=pairs) or bins
        except _TooManySteps:
            return bins, False
        return bins, True

    def step(self) -> None:
        self.steps += 1
        if self.steps > MOST_STEPS:
            raise _TooManySteps

    def fewest(self, items: Sequence[int]) -> int:
        """Sections that `items` need by themselves."""
        count = lower_bound([self.sizes[i] for i in items], self.room)
        if len(self.first_fit([[i] for i in items])) == count:
            return count
        while _Search(self, items, count, enough=None).run(before=None) is None:
            count += 1
        return count

    def most_clusters(self, groups: Sequence[list[int]], count: int) -> int:
        """Into how many clusters, each with sections of its own, `count` sections can part the kinds at most.

        Sections and kinds that touch one another make a cluster; one of b sections and k kinds takes
        b + k - 1 pairs or more, so a grouping takes count + kinds - clusters or more.
        """
        if len(groups) > MOST_KINDS_CLUSTERED:
            return len(groups)
        flows = [self.load(group) for group in groups]
        wholes = [0] * (1 << len(groups))
        needed = [0] * (1 << len(groups))  # sections, for each set of kinds
        for mask in range(1, len(wholes)):
            low = (mask & -mask).bit_length() - 1
            wholes[mask] = wholes[mask & (mask - 1)] + flows[low]
            needed[mask] = max(-(-wholes[mask] // self.room), 1)
        # parted[mask][c]: fewest sections that part the set into c + 1 clusters
        parted: list[list[int]] = [[]] * len(needed)
        for mask in range(1, len(needed)):
            best = [needed[mask]]
            low, others = mask & -mask, mask & (mask - 1)
            part = others
            while part:  # the cluster of the set's first kind is `mask - part`
                own = needed[mask ^ part]
                for c, sections_there in enumerate(parted[part], start=1):
                    if c == len(best):
                        best.append(own + sections_there)
                    elif own + sections_there < best[c]:
                        best[c] = own + sections_there
                part = (part - 1) & others
            parted[mask] = best
        return max((c + 1 for c, used in enumerate(parted[-1]) if used <= count), default=1)

    # --- evening out ---

    def even_out(self, bins: Bins) -> None:
        """Move or swap loads while that brings two sections' flows nearer and mixes no more kinds."""
        moved = True
        while moved:
            moved = any(
                self.move_one(heavy, light)
                for heavy in sorted(bins, key=self.load, reverse=True)
                for light in sorted(bins, key=self.load)
                if self.load(light) < self.load(heavy)
            )

    def move_one(self, heavy: list[int], light: list[int]) -> bool:
        apart = self.load(heavy) - self.load(light)
        now = self.mixed([heavy, light])
        for out in sorted(heavy, key=lambda i: -self.sizes[i]):
            for back in (None, *light):
                shift = self.sizes[out] - (0 if back is None else self.sizes[back])
                if not 0 < shift < apart:
                    continue
                new_heavy = [i for i in heavy if i != out] + ([] if back is None else [back])
                new_light = [i for i in light if i != back] + [out]
                if new_heavy and self.mixed([new_heavy, new_light]) <= now:
                    heavy[:], light[:] = new_heavy, new_light
                    return True
        return False


class _Search:
    """Fills one section after another: the largest load left, and every set of others that leaves no more
    room unused than the count of sections allows in all.

    Counted are pairs of a section and a kind in it. With `enough` None any grouping will do; else the search
    goes on until one with `enough` pairs is found, or none with fewer than the best is left.
    """

    def __init__(self, packing: _Packing, items: Sequence[int], count: int, enough: int | None) -> None:
        self.packing, self.count, self.enough = packing, count, enough
        self.order = sorted(items, key=lambda i: (-packing.sizes[i], packing.kinds[i]))
        self.size = [packing.sizes[i] for i in self.order]
        self.bit = [1 << packing.kinds[i] for i in self.order]
        self.chosen: Bins = []
        self.best: Bins | None = None
        self.best_pairs = 0
        self.reached: dict[tuple[int, ...], int] = {}

    def run(self, before: int | None) -> Bins | None:
        """A grouping with fewer pairs than `before`, the fewest there are; None where there is none."""
        spare = self.count * self.packing.room - sum(self.size)
        self.best_pairs = len(self.size) * self.count + 1 if before is None else before
        if spare >= 0:
            self.fill(tuple(range(len(self.order))), self.count, spare, 0)
        return self.best

    def fill(self, left: tuple[int, ...], count: int, spare: int, pairs: int) -> bool:
        """Whether what was looked for is found."""
        if not left:
            self.best, self.best_pairs = [list(b) for b in self.chosen], pairs
            return self.enough is None or pairs <= self.enough
        if count == 0 or self.hopeless(left, count, pairs):
            return False
        for members, load, kinds in self.choices(left, spare):
            self.chosen.append([self.order[n] for n in members])
            inside = set(members)
            rest = tuple(n for n in left if n not in inside)
            if self.fill(rest, count - 1, spare - (self.packing.room - load), pairs + kinds):
                return True
            self.chosen.pop()
        return False

    def hopeless(self, left: tuple[int, ...], count: int, pairs: int) -> bool:
        if self.enough is None:
            pairs = 0  # any grouping will do
        else:
            flows: dict[int, int] = {}
            for n in left:
                flows[self.bit[n]] = flows.get(self.bit[n], 0) + self.size[n]
            alone = sum(-(-flow // self.packing.room) for flow in flows.values())
            if pairs + max(count, alone) >= self.best_pairs:
                return True
        if self.reached.get(left, pairs + 1) <= pairs:  # the count of sections left follows from what is left
            return True
        self.reached[left] = pairs
        return False

    def choices(self, left: tuple[int, ...], spare: int) -> list[tuple[tuple[int, ...], int, int]]:
        """Sets with the first of `left`: (members, load, kinds); promising ones first."""
        first, others = left[0], left[1:]
        beyond = [0] * (len(others) + 1)  # flow of others[n:]
        for n in range(len(others) - 1, -1, -1):
            beyond[n] = beyond[n + 1] + self.size[others[n]]
        alike = [len(others)] * len(others)  # where the run of equal loads ends
        for n in range(len(others) - 2, -1, -1):
            here, after = others[n], others[n + 1]
            same = self.size[here] == self.size[after] and self.bit[here] == self.bit[after]
            alike[n] = alike[n + 1] if same else n + 1
        room, members = self.packing.room, [first]
        found: list[tuple[int, int, tuple[int, ...]]] = []

        def add(n: int, load: int, kinds: int) -> None:
            if load + beyond[n] < room - spare:
                return
            if n == len(others):
                self.packing.step()
                found.append((kinds.bit_count(), -load, tuple(members)))
                return
            item = others[n]
            if load + self.size[item] > room:
                add(n + 1, load, kinds)
                return
            members.append(item)
            add(n + 1, load + self.size[item], kinds | self.bit[item])
            members.pop()
            add(alike[n], load, kinds)

        add(0, self.size[first], self.bit[first])
        if self.enough is None:
            found = self.undominated(found, others)
        else:
            found.sort()
        return [(chosen, -negative, kinds) for kinds, negative, chosen in found]

    def undominated(
        self, found: list[tuple[int, int, tuple[int, ...]]], others: tuple[int, ...]
    ) -> list[tuple[int, int, tuple[int, ...]]]:
        """Sets worth a try where kinds do not matter, fullest first (Martello and Toth's dominance).

        A load that still fits could as well move in from its own section; of sets with one other load the
        largest can stand for the rest.
        """
        kept, paired = [], False
        for choice in sorted(found, key=lambda choice: choice[1]):
            inside = set(choice[2])
            smallest_out = next((self.size[n] for n in reversed(others) if n not in inside), None)
            if smallest_out is not None and smallest_out - choice[1] <= self.packing.room:
                continue
            if len(choice[2]) == 2:
                if paired:
                    continue
                paired = True
            kept.append(choice)
        return kept
