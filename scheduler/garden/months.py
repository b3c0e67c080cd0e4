"""Months as people write them: june, jun-aug, "nov-feb", "may, sep"."""

from __future__ import annotations

from scheduler.nearest import did_you_mean

MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip


def months_of(text: str) -> frozenset[int]:
    """The months (1 to 12) that a text names; a span may go over the year's end.

    ValueError says what is wrong with it.

    >>> sorted(months_of("nov-feb")), sorted(months_of("May, sep"))
    ([1, 2, 11, 12], [5, 9])
    """
    found: set[int] = set()
    for part in text.replace("\N{EN DASH}", "-").split(","):
        ends = [_month(word) for word in part.split("-")]
        if len(ends) > 2:
            raise ValueError(f'"{part.strip()}" has more than two ends - for example jun-aug')
        first, last = ends[0], ends[-1]
        found |= {(first + k - 1) % 12 + 1 for k in range((last - first) % 12 + 1)}
    return frozenset(found)


def _month(word: str) -> int:
    name = word.strip().casefold()
    for number, full in enumerate(MONTHS, 1):
        if len(name) > 2 and (full.startswith(name) or name == "sept"[: len(name)] and number == 9):
            return number
    known = [*MONTHS, *(month[:3] for month in MONTHS)]
    hint = did_you_mean(name, known, "for example june, or jun-aug")
    raise ValueError(f'"{word.strip()}" is not a month - {hint}')
