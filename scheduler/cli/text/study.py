"""A study as text: a line for each variant, or for each garden, and what follows from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_minutes, show_volume

if TYPE_CHECKING:
    from collections.abc import Callable

    from scheduler.shapes.study import (
        StudyDifference,
        StudyDryRun,
        StudyGarden,
        StudyLeftOut,
        StudyPage,
        StudySpread,
        StudyVariant,
    )

HEADS = ("water", "drained", "longest morning", "stress days", "not reached", "yield lost", "carried")
WIDTHS = (23, 19, 25, 14, 14, 16, 11)
MOST_VARIANTS = 40
"""More are too many to read: those that no other beats come first, --json and --csv have all."""
MOST_LINES = 12


def study_text(page: StudyPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: StudyPage, display: Display, width: int) -> Iterator[str]:
    if "dry_run" in page:
        yield from wrap(_dry_run(page["dry_run"]), width, 2)
    many = len(page["gardens"]) + len(page["bad_gardens"]) > 1
    if many:
        yield from _gardens(page, display, width)
    for garden in page["gardens"]:
        if many:
            yield from wrap(f"{garden['garden']}: {garden['enough']['text']}", width, 2)
        else:
            yield from _garden(page, garden, display, width)
    if page["gardens"]:
        yield ""
        yield from wrap(_how_to_read(page), width, 2)
    for bad in page["bad_gardens"]:
        yield ""
        yield from wrap(f"{bad['file']} is left out:", width, 2)
        for complaint in bad["complaints"][:MOST_LINES]:
            yield from wrap(complaint, width, 4, first=2)


def _dry_run(found: StudyDryRun) -> str:
    each = found["seconds_a_season"]
    one = f"{1000 * each:.1f} ms" if each < 1 else f"{each:.1f} s"
    how = f"{found['workers']} workers" if found["workers"] > 1 else "one process"
    return (
        f"{found['seasons']:,} seasons, about {show_minutes(found['seconds'] / 60)} with {how}: one takes "
        f"{one} here. What is kept from before is not run again."
    )


def _gardens(page: StudyPage, display: Display, width: int) -> Iterator[str]:
    """One line per garden: as its file has it."""
    rows: list[Row] = [("garden as it is", HEADS)]
    for garden in page["gardens"]:
        rows += [(garden["garden"], _cells(one, display)) for one in garden["variants"] if not one["values"]]
    yield from table(rows, width, label=_label_width(width), cells=WIDTHS)
    yield ""


def _garden(page: StudyPage, garden: StudyGarden, display: Display, width: int) -> Iterator[str]:
    count = len(garden["variants"])
    season = f"{garden['season']['from'][5:]} to {garden['season']['to'][5:]}"
    sample = page.get("sample")
    chosen = f", a sample of {sample['combinations']:,} combinations" if sample else ""
    years = len(garden["years"])
    head = (
        f"{garden['garden']}: {count} variant{'s' * (count != 1)}{chosen} x {years} year{'s' * (years != 1)} "
        f"({years_in_words(garden['years'])}), season {season}, foresight {page['foresight']}"
    )
    yield from wrap(head, width, 2)
    yield ""
    shown = _shown(garden)
    rows: list[Row] = [("variant", HEADS), *((_label(one), _cells(one, display)) for one in shown)]
    yield from table(rows, width, label=_label_width(width), cells=WIDTHS)
    if len(shown) < count:
        yield from wrap(f"{count - len(shown)} more: see --json or --csv.", width, 2)
    yield ""
    yield from wrap(garden["enough"]["text"], width, 2)
    yield from _short_years(garden["variants"], width)
    yield from _differences(garden, display, width)
    yield from _left_out(garden, width)


def _label_width(width: int) -> int:
    """So that the widest cell has its place beside it."""
    return min(28, width - max(WIDTHS) - 1)


def _shown(garden: StudyGarden) -> list[StudyVariant]:
    """All, or the garden as it is, what is enough, and of those that no other beats what carries most years.

    In their order.
    """
    variants, enough = garden["variants"], set(garden["enough"]["variants"])
    if len(variants) <= MOST_VARIANTS:
        return list(variants)

    def rank(one: StudyVariant) -> tuple[bool, bool, bool, int]:
        return bool(one["values"]), one["variant"] not in enough, one["beaten"], -one["carried"]

    names = {one["variant"] for one in sorted(variants, key=rank)[:MOST_VARIANTS]}
    return [one for one in variants if one["variant"] in names]


def _label(one: StudyVariant) -> str:
    return one["variant"] if one["beaten"] else f"* {one['variant']}"


def _cells(one: StudyVariant, display: Display) -> tuple[str, ...]:
    return (
        _cell(one["liters"], lambda liters: show_volume(liters, display)),
        _cell(one["drained_l"], lambda liters: show_volume(liters, display)),
        _cell(one["longest_minutes"], show_minutes),
        _cell(one["stress_days"], lambda days: f"{days:g}"),
        _cell(one["short_days"], lambda days: f"{days:g}"),
        _cell(one["lost"], lambda share: f"{100 * share:.1f}%"),
        f"{one['carried']} of {one['years']}",
    )


def _cell(spread: StudySpread | None, show: Callable[[float], str]) -> str:
    return "-" if spread is None else f"{show(spread['median'])} ({show(spread['nine_of_ten'])})"


def _how_to_read(page: StudyPage) -> str:
    limits = " Hours, days, caps and the supply's flow are left aside." if page["unlimited"] else ""
    return (
        "Each figure: the middle year, and in brackets what 9 years of 10 do not exceed; days of all zones "
        "together, the longest morning one valve after another. Carried: no planting went short of more than "
        f"{100 * page['most_short']:g}% of the water that it asks for. *: no other variant is as low in "
        f"water, stress days and yield lost. -: nobody knows.{limits}"
    )


def _short_years(variants: Sequence[StudyVariant], width: int) -> Iterator[str]:
    """Of variants that carry some years, which they do not."""
    some = [one for one in variants if one["carried"] and one["not_carried"]]
    for one in some[:MOST_LINES]:
        yield from wrap(f"{one['variant']} does not in {years_in_words(one['not_carried'])}.", width, 2)


def _differences(garden: StudyGarden, display: Display, width: int) -> Iterator[str]:
    """Of the variants that carry most years first."""
    if not garden["differences"]:
        return
    yield ""
    yield from wrap("Against the garden as it is, year by year (mean, and its 95% interval):", width, 2)
    by_variant: dict[str, list[str]] = {}
    for one in garden["differences"]:
        by_variant.setdefault(one["variant"], []).append(_difference(one, display))
    carried = {one["variant"]: one["carried"] for one in garden["variants"]}
    names = sorted(by_variant, key=lambda name: -carried[name])
    yield from _some([f"{name}: {'; '.join(by_variant[name])}" for name in names], width)


def _difference(one: StudyDifference, display: Display) -> str:
    what, show = _SHOWN[one["figure"]]
    if one["low"] == one["high"] == 0:
        return f"{what} the same"
    mean, low, high = (show(value, display) for value in (one["mean"], one["low"], one["high"]))
    less = "less" if one["lower"] == one["variant"] else "more"
    return f"{what} {mean} ({low} to {high}), {'not sure' if one['lower'] is None else less}"


_SHOWN: dict[str, tuple[str, Callable[[float, Display], str]]] = {
    "liters": ("water", show_volume),
    "stress_days": ("stress days", lambda days, _: f"{days:+.1f}"),
    "lost": ("yield lost", lambda share, _: f"{100 * share:+.1f}%"),
}


def _left_out(garden: StudyGarden, width: int) -> Iterator[str]:
    by_reason: dict[tuple[str, str], list[int]] = {}
    for who, year in _years_left_out(garden):
        by_reason.setdefault((who, year["why"]), []).append(year["year"])
    if by_reason:
        yield ""
        yield from wrap("Left out:", width, 2)
        told = [f"{who}{years_in_words(years)}: {why}" for (who, why), years in by_reason.items()]
        yield from _some(told, width)
    if impossible := garden["impossible"]:
        yield ""
        yield from wrap(f"Skipped, for they make no garden: {len(impossible)} of the variants.", width, 2)
        yield from _some([f"{one['variant']}: {one['complaints'][0]}" for one in impossible], width)


def _years_left_out(garden: StudyGarden) -> Iterator[tuple[str, StudyLeftOut]]:
    """Of all variants, and of single ones, whose name stands in front."""
    yield from (("", year) for year in garden["left_out"])
    for one in garden["variants"]:
        yield from ((f"{one['variant']}, ", year) for year in one["not_run"])


def _some(told: Sequence[str], width: int) -> Iterator[str]:
    """The first lines, and how many more there are."""
    for text in told[:MOST_LINES]:
        yield from wrap(text, width, 4, first=2)
    if len(told) > MOST_LINES:
        yield from wrap(f"{len(told) - MOST_LINES} more: see --json.", width, 4, first=2)


def years_in_words(years: Sequence[int]) -> str:
    """Runs of years as such.

    >>> years_in_words([1990, 1991, 1992, 1995, 1997, 1998])
    '1990 to 1992, 1995, 1997, 1998'
    """
    runs: list[list[int]] = []
    for year in years:
        if runs and year == runs[-1][-1] + 1:
            runs[-1].append(year)
        else:
            runs.append([year])
    told = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(told) or "none"
