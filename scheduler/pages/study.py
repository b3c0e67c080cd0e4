"""The study page: of every variant the middle year and what nine of ten do not exceed, and what follows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.pages.rounding import rounded
from scheduler.shapes.study import (
    StudyBadGarden,
    StudyDifference,
    StudyEnough,
    StudyFigure,
    StudyGarden,
    StudyKey,
    StudyLeftOut,
    StudyPage,
    StudySample,
    StudySeason,
    StudySpread,
    StudyVariant,
)
from scheduler.study.figures import Figures
from scheduler.study.kept import Kept
from scheduler.study.seasons import How, NoFigures
from scheduler.study.statistics import difference, enough, nine_of_ten, not_beaten
from scheduler.study.study import Answer, Capacity, Ready, Study, figures
from scheduler.study.variants import Axis
from scheduler.study.years import LeftOut

DECIMALS = 6
MOST_SHORT = 0.05
"""Of the water that a planting asks for: going short of more, a year is not carried (own choice)."""
MOST_COMPARED = 40
"""Variants held against the garden as it is: of those not beaten the first."""


@dataclass(frozen=True, slots=True)
class Years:
    """A variant's years that have figures, (year,) arrays."""

    ready: Ready
    years: list[int]
    of: dict[str, FloatArray]
    not_run: list[LeftOut] = field(default_factory=list)

    @property
    def short_share(self) -> FloatArray:
        return self.of["short_share"]

    @property
    def carried(self) -> list[int]:
        return [year for year, share in zip(self.years, self.short_share, strict=True) if share <= MOST_SHORT]

    @property
    def is_enough(self) -> bool:
        return enough(len(self.carried), len(self.years))

    def known(self, name: str) -> FloatArray | None:
        """None where a year lacks the figure, or there is no year."""
        values = self.of[name]
        return values if len(values) and not np.isnan(values).any() else None


NAMES = (
    "liters", "stress_days", "drained_l", "longest_minutes", "short_days", "short_l", "lost", "short_share",
)  # fmt: skip


def study_page(
    how: How,
    vary: Sequence[Axis],
    gardens: Sequence[StudyGarden],
    bad: Sequence[StudyBadGarden],
    sample: StudySample | None,
) -> StudyPage:
    keys: list[StudyKey] = [
        {"key": axis.key, "values": [value.text for value in axis.values]} for axis in vary
    ]
    page: StudyPage = {
        "foresight": how.mode, "unlimited": how.unlimited, "most_short": MOST_SHORT, "vary": keys,
        "gardens": list(gardens), "bad_gardens": list(bad),
    }  # fmt: skip
    if sample is not None:
        page["sample"] = sample
    return page


def garden_page(study: Study, answer: Answer, kept: Kept, file: Path, seed: int) -> StudyGarden:
    """Reads variant by variant what is kept; seed: of the bootstrap."""
    found = [years_of(study, ready, kept) for ready in answer.ready]
    best = not_beaten(_points(found)) if found else np.zeros(0, dtype=bool)
    season = study.season
    return {
        "garden": study.garden.name,
        "file": str(file),
        "season": {"from": season.first.isoformat(), "to": season.last.isoformat()},
        "years": list(study.years),
        "left_out": _left_out(study.left_out),
        "variants": [_variant(one, beaten=not kept) for one, kept in zip(found, best.tolist(), strict=True)],
        "impossible": [
            {"variant": one.variant.name, "complaints": list(one.complaints)} for one in answer.impossible
        ],
        "not_beaten": [
            one.ready.variant.name for one, kept in zip(found, best.tolist(), strict=True) if kept
        ],
        "enough": _enough(found),
        "differences": list(_differences(found, best.tolist(), seed)),
    }


def season_rows(study: Study, answer: Answer, kept: Kept) -> Iterator[StudySeason]:
    """Every season with figures, one by one."""
    for ready in answer.ready:
        for year, found in figures(study, ready, kept):
            if isinstance(found, Figures):
                yield {
                    "garden": study.garden.name, "variant": ready.variant.name, "year": year,
                    "liters": found.liters, "stress_days": found.stress_days, "drained_l": found.drained_l,
                    "longest_minutes": found.longest_minutes, "short_days": found.short_days,
                    "short_l": found.short_l, "lost": found.lost, "short_share": found.short_share,
                }  # fmt: skip


def years_of(study: Study, ready: Ready, kept: Kept) -> Years:
    years, left, rows = [], [], []
    for year, found in figures(study, ready, kept):
        if isinstance(found, NoFigures):
            left.append(LeftOut(year, found.why))
        else:
            years.append(year)
            rows.append([getattr(found, name) for name in NAMES])
    table = np.array(rows, dtype=np.float64).reshape(len(rows), len(NAMES))  # None is nan
    return Years(ready, years, dict(zip(NAMES, table.T, strict=True)), left)


def _points(found: Sequence[Years]) -> FloatArray:
    """(variant, figure) by which they beat each other: water, stress days, share lost, nine of ten each."""
    return np.array([[_high(one, name) for name in ("liters", "stress_days", "lost")] for one in found])


def _high(one: Years, name: str) -> float:
    values = one.known(name)
    if values is None:
        return 0.0 if len(one.years) else np.inf
    return nine_of_ten(values)


def _variant(one: Years, *, beaten: bool) -> StudyVariant:
    carried = one.carried
    return {
        "variant": one.ready.variant.name,
        "values": dict(one.ready.variant.values),
        "years": len(one.years),
        "liters": _spread(one, "liters"),
        "stress_days": _spread(one, "stress_days"),
        "drained_l": _spread(one, "drained_l"),
        "longest_minutes": _spread(one, "longest_minutes"),
        "short_days": _spread(one, "short_days"),
        "short_l": _spread(one, "short_l"),
        "lost": _spread(one, "lost"),
        "carried": len(carried),
        "not_carried": [year for year in one.years if year not in carried],
        "not_run": _left_out(one.not_run),
        "beaten": beaten,
        "capacity": {
            "flow_lpm": rounded(one.ready.capacity.flow_lpm),
            "hours": rounded(one.ready.capacity.hours),
            "days_a_week": rounded(one.ready.capacity.days_a_week),
        },
    }


def _left_out(years: Sequence[LeftOut]) -> list[StudyLeftOut]:
    return [{"year": one.year, "why": one.why} for one in years]


def _spread(one: Years, name: str) -> StudySpread | None:
    values = one.known(name)
    if values is None:
        return None
    least, lower, median, upper, most = np.quantile(values, [0, 0.25, 0.5, 0.75, 1]).tolist()
    return {
        "least": rounded(least, DECIMALS),
        "lower_quartile": rounded(lower, DECIMALS),
        "median": rounded(median, DECIMALS),
        "upper_quartile": rounded(upper, DECIMALS),
        "nine_of_ten": rounded(nine_of_ten(values), DECIMALS),
        "most": rounded(most, DECIMALS),
    }


# --- the smallest supply that is enough ----------------------------------------------------------


def _enough(found: Sequence[Years]) -> StudyEnough:
    able = [one for one in found if one.is_enough]
    smallest = _smallest(able)
    return {
        "variants": [one.ready.variant.name for one in smallest],
        "text": _sentence(found, able, smallest),
    }


def _smallest(able: Sequence[Years]) -> list[Years]:
    """Of those with a supply that no other's is within; of equal supplies the one with the least water."""
    by_capacity: dict[Capacity, Years] = {}
    for one in sorted(able, key=lambda one: float(np.median(one.of["liters"]))):
        by_capacity.setdefault(one.ready.capacity, one)
    return [
        one
        for capacity, one in by_capacity.items()
        if not any(other != capacity and other.within(capacity) for other in by_capacity)
    ]


def _sentence(found: Sequence[Years], able: Sequence[Years], smallest: Sequence[Years]) -> str:
    years = max((len(one.years) for one in found), default=0)
    if not years:
        return "No year could be run."
    if not able:
        best = max(found, key=lambda one: len(one.carried))
        return (
            f"None of the {len(found)} variants carries the garden in 90 % of the years; the most is "
            f"{_of_years(best)} ({best.ready.variant.name})."
        )
    told = ", or ".join(f"{one.ready.variant.name} ({_of_years(one)})" for one in smallest[:3])
    more = f", or {len(smallest) - 3} others" if len(smallest) > 3 else ""
    if _supplies_differ(found):
        return f"The smallest supply that carries the garden in 90 % of the years: {told}{more}."
    return f"Of what carries the garden in 90 % of the years the least water takes {told}."


def _of_years(one: Years) -> str:
    return f"{len(one.carried)} of {len(one.years)} year{'s' * (len(one.years) != 1)}"


def _supplies_differ(found: Sequence[Years]) -> bool:
    return len({one.ready.capacity for one in found}) > 1


# --- against the garden as it is -----------------------------------------------------------------


def _differences(found: Sequence[Years], best: Sequence[bool], seed: int) -> Iterator[StudyDifference]:
    """Of the variants that no other beats, over the years that both have."""
    base = next((one for one in found if not one.ready.variant.changes), None)
    if base is None:
        return
    others = [one for one, kept in zip(found, best, strict=True) if kept and one is not base]
    for one in others[:MOST_COMPARED]:
        yield from _against(base, one, seed)


def _against(base: Years, one: Years, seed: int) -> Iterator[StudyDifference]:
    both = sorted(set(base.years) & set(one.years))
    names: tuple[StudyFigure, ...] = ("liters", "stress_days", "lost")
    for name in names:
        mine, theirs = (who.of[name][np.isin(who.years, both)] for who in (one, base))
        if np.isnan(mine).any() or np.isnan(theirs).any():
            continue
        sure = difference(mine, theirs, seed)
        if sure is not None:
            lower = {"first": one.ready.variant.name, "second": base.ready.variant.name, None: None}
            yield {
                "variant": one.ready.variant.name, "figure": name,
                "mean": rounded(sure.mean, DECIMALS), "low": rounded(sure.low, DECIMALS),
                "high": rounded(sure.high, DECIMALS), "lower": lower[sure.lower],
            }  # fmt: skip
