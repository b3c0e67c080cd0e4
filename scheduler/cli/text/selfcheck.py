"""Published figures beside those of this machine, as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Literal

from scheduler.cli.text.base import wrap

if TYPE_CHECKING:
    from scheduler.shapes.selfcheck import CaseLine, FigureLine, MachineLine, SelfcheckPage

CELLS = (9, 10, 9, 8)
"""Columns of printed, ours, difference, allowed."""
LIBRARIES: tuple[Literal["rowwater", "numpy", "pyet"], ...] = ("rowwater", "numpy", "pyet")
ONE_LINE = 72
MANY_DIGITS, ALL_DIGITS = 6, 12
"""Decimals."""


def selfcheck_text(page: SelfcheckPage, width: int, *, every: bool = False) -> str:
    return "\n".join(_lines(page, width, every=every))


def _lines(page: SelfcheckPage, width: int, *, every: bool) -> Iterator[str]:
    yield from wrap(_machine(page["machine"]), width, 2)
    yield ""
    yield from _row("example: figure", ("printed", "ours", "off", "allowed"), width)
    for source in page["sources"]:
        yield from wrap(source["source"], width, 2)
        for case in source["cases"]:
            yield from _case(case, width, every=every)
    yield ""
    yield from _end(page, width)


def _machine(machine: MachineLine) -> str:
    rowwater, numpy, pyet = (machine[name] or "not found" for name in LIBRARIES)
    python, hardware = machine["python"], machine["machine"]
    return f"rowwater {rowwater}, Python {python}, numpy {numpy}, pyet {pyet}, {hardware}"


def _case(case: CaseLine, width: int, *, every: bool) -> Iterator[str]:
    if case["failure"]:
        yield from wrap(f"! {case['title']}: not worked out: {case['failure']}", width, 4)
        return
    for k, figure in enumerate(case["figures"]):
        if every or k == case["farthest"] or not figure["right"]:
            yield from _figure(case["title"], figure, width)


def _figure(title: str, figure: FigureLine, width: int) -> Iterator[str]:
    ours, off = figure["ours"], figure["difference"]
    cells = (
        figure["text"],
        "none" if ours is None else _one_digit_more(ours, figure["text"]),
        "" if off is None else f"{off:+.2g}" if off else "0",
        f"{figure['within']:.2g}",
    )
    label = f"{title}: {figure['name'].replace('_', ' ')}"
    yield from _row(f"{'  ' if figure['right'] else '! '}{label}", cells, width)


def _one_digit_more(ours: float, printed: str) -> str:
    """With one decimal more than the printed figure; one of many digits with as many, or whole."""
    decimals = len(printed.partition(".")[2])
    if decimals > ALL_DIGITS or "e" in printed:
        return repr(ours)
    return f"{ours:.{decimals + (decimals < MANY_DIGITS)}f}"


def _row(label: str, cells: Sequence[str], width: int) -> Iterator[str]:
    """Label and figures in one line where they fit, else the figures below."""
    row = "".join(f" {cell:>{size - 1}}" for cell, size in zip(cells, CELLS, strict=True))
    lines = wrap(label, width - len(row) - 1 if width >= ONE_LINE else width, 4)
    if width >= ONE_LINE:
        yield from lines[:-1]
        yield f"{lines[-1]:<{width - len(row)}}{row}".rstrip()
    else:
        yield from lines
        yield from [f"    {row}"] if len(row) + 4 <= width else wrap(" ".join(cells), width, 4, first=4)


def _end(page: SelfcheckPage, width: int) -> Iterator[str]:
    if page["right"]:
        yield from wrap(f"{page['figures']} figures: all as printed.", width, 2)
        return
    yield from wrap(
        f"! {page['wrong']} of {page['figures']} figures are not as printed: this installation does not "
        "compute as it should, and its plans are not to be trusted. Lay it anew (deploy/upgrade.sh), or go "
        "back to the version before.",
        width,
        2,
    )
