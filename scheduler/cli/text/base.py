"""What all texts share: lines of the terminal's width."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

BEFORE_A_UNIT = (
    r"(?<=\d) (?=(in|ft|sq|gal|gpm|psi|mph|F|mm|m|m2|cm|L|L/min|kPa|m/s|C|MJ/m2|h|min|s|d|days?|%)(?![\w/]))"
    r"|(?<=\d h) (?=\d+ min)|(?<=sq) (?=ft)"
)


def wrap(text: str, width: int, indent: int, *, first: int = 0, cut: bool = True) -> list[str]:
    """Lines of at most `width`, all but the first indented by `indent`; a number stays with its unit.

    first: indent of the first line.  cut: a word that is longer than a line is broken.
    """
    import re  # the morning summary mostly needs these, `rowwater --help` does not
    import textwrap

    lines = textwrap.wrap(
        re.sub(BEFORE_A_UNIT, "\xa0", text),
        width,
        initial_indent=" " * first,
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
        break_long_words=cut,
    )
    return [line.replace("\xa0", " ") for line in lines]


Row = tuple[str, Sequence[str]]
"""A label, and a cell for each column."""


def table(rows: Sequence[Row | None], width: int, *, label: int, cells: Sequence[int]) -> Iterator[str]:
    """Labels to the left, cells to the right of their columns; None is a blank line.

    label, cells: widths, their space included, where there is room for them. Where not, columns are as narrow
    as what they hold, and those that still find none stand in a further block below, each label with them.
    A label that is wider than its column has lines of its own.
    """
    if label + sum(cells) > width:
        told = [row for row in rows if row is not None]
        label = min(max(len(name) for name, _ in told) + 1, label)
        cells = [max(len(row[i]) for _, row in told) + 1 for i in range(len(cells))]
    else:
        cells = [max(cell, *(len(row[1][i]) + 1 for row in rows if row)) for i, cell in enumerate(cells)]
    for n, columns in enumerate(_blocks(width - label, cells)):
        if n:
            yield ""
        for row in rows:
            yield from [""] if row is None else _row(row, columns, label, cells, width)


def _blocks(room: int, cells: Sequence[int]) -> Iterator[list[int]]:
    """Columns that stand side by side."""
    block: list[int] = []
    for i, cell in enumerate(cells):
        if block and sum(cells[j] for j in block) + cell > room:
            yield block
            block = []
        block.append(i)
    yield block


def _row(row: Row, columns: Sequence[int], label: int, cells: Sequence[int], width: int) -> Iterator[str]:
    name, values = row
    if len(name) >= label:
        yield from wrap(name, width, 2)
        name = ""
    yield (name.ljust(label) + "".join(values[i].rjust(cells[i]) for i in columns)).rstrip()


def mark(level: str) -> str:
    """Before a notice: "! " where it needs the grower's eye."""
    return "" if level == "info" else "! "
