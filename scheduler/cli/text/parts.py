"""The parts of a first build as text: the rows, the valves, and the list with what each count rests on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_flow, show_length

if TYPE_CHECKING:
    from scheduler.shapes.parts import LaterParts, PartLine, PartsPage, SectionParts, ZoneParts

WIDEST = 100
HEADS = ("rows", "tapes", "each cut", "tape in all", "valve")
WIDTHS = (7, 8, 12, 14, 9)
WHOLE_UP_TO = 12
"""Columns of a count or a length."""


def parts_text(page: PartsPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, min(width, WIDEST)))


def _lines(page: PartsPage, display: Display, width: int) -> Iterator[str]:
    for line in wrap(f"{page['garden']}: parts of the first build", width, 2):
        yield click.style(line, bold=True)
    yield ""
    rows = [_zone(name, zone, display) for name, zone in page["zones"].items()]
    yield from table([("zone", HEADS), *rows], width, label=16, cells=WIDTHS)
    yield ""
    for number, section in enumerate(page["sections"], start=1):
        yield from wrap(_section(number, section, display), width, 4, first=2)
    yield ""
    for part in page["parts"]:
        yield from _part(part, display, width)
    yield ""
    for later in page["later"]:
        yield from wrap(_later(later, display), width, 4, first=2)
    yield from wrap(
        f"Places are measured from the feed ({page['feed']}): {page['convention']}.", width, 4, first=2
    )
    for problem in page["problems"]:
        zone = f"{problem['zone']}: " if problem["zone"] else ""
        yield from wrap(f"! {zone}{problem['text']}; {problem['mend']}", width, 4, first=2)
    for notice in page["notices"]:
        yield from wrap(f"- {notice}", width, 4, first=2)
    yield ""
    for caution in page["cautions"]:
        yield from wrap(f"Caution: {caution}", width, 4, first=2)


def _zone(name: str, zone: ZoneParts, display: Display) -> Row:
    return (
        name,
        (
            str(zone["layout"]["count"]),
            str(zone["tapes"]),
            show_length(zone["cut_m"], display),
            show_length(zone["tape_m"], display),
            ", ".join(map(str, zone["sections"])) or "-",
        ),
    )


def _section(number: int, section: SectionParts, display: Display) -> str:
    ways = " and ".join(show_length(m, display) for m in section["line_m"])
    flow = show_flow(section["flow_lpm"], display)
    return f"valve {number} ({section['valve']}): {', '.join(section['rows'])}; {flow}, supply line {ways}"


def _part(part: PartLine, display: Display, width: int) -> Iterator[str]:
    """The amount and the name, and below them what it rests on."""
    amount = str(part["count"]) if part["length_m"] is None else show_length(part["length_m"], display)
    name = f"{part['part']} {part['of']}" if part["of"] else part["part"]
    head, *more = wrap(f"{amount:>{WHOLE_UP_TO}}  {name}", width, WHOLE_UP_TO + 2)
    yield head.replace(name, click.style(name, bold=True), 1)
    yield from more
    indent = min(WHOLE_UP_TO + 2, width // 6)
    yield from wrap(part["rests_on"], width, indent, first=indent)


def _later(later: LaterParts, display: Display) -> str:
    return (
        f"{later['zone']}, {later['crop']} of {later['planted']}: {later['row_starts']} more row starts, "
        f"{later['end_closures']} end closures, {later['couplings']} couplings, "
        f"{show_length(later['tape_m'], display)} of tape (rowwater changeover)"
    )
