"""The working as text: one figure a line, its formula and numbers below it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_depth

if TYPE_CHECKING:
    from scheduler.shapes.working import Line, WhyPage


def why_text(working: WhyPage, *, display: Display, width: int) -> str:
    return "\n".join(_lines(working, display, width))


def _lines(working: WhyPage, display: Display, width: int) -> Iterator[str]:
    today = date.fromisoformat(working["date"])
    yield from wrap(f"{working['zone']}, {today:%a} {today.day} {today:%b %Y}", width, 2)
    for text in working.get("plain", ()):
        yield from wrap(text, width, 2)
    yield ""
    yield from wrap(f"The working behind {working['date']} (SI units inside)", width, 2)
    for section in working["sections"]:
        yield ""
        yield from wrap(section["title"], width, 2)
        for line in section["lines"]:
            yield from _line(line, display, width)
    if working["history"]:
        apart = any("evaporation_mm" in day for day in working["history"])
        yield ""
        yield from wrap("The last days, mm" + (" (soil: of ETc, what evaporated)" if apart else ""), width, 2)
        cells = (6, 7, 7, 7, 7, 8, 7, 9) if apart else (6, 7, 7, 7, 8, 7, 9)
        yield from table(list(_history(working, apart=apart)), width, label=13, cells=cells)


def _history(working: WhyPage, *, apart: bool) -> Iterator[Row]:
    soil = ["soil"] * apart
    yield "  date", ("ET0", "Kc", "ETc", *soil, "rain", "counts", "given", "deficit")
    for day in working["history"]:
        depths = [day["rain_mm"], day["rain_eff_mm"], day["net_mm"], day["deficit_end_mm"]]
        if apart:
            depths.insert(0, day.get("evaporation_mm", 0.0))
        yield (
            f"  {day['date']}",
            (
                f"{day['et0_mm']:.2f}",
                f"{day['kc']:.3f}",
                f"{day['etc_mm']:.2f}",
                *(f"{mm:.2f}" for mm in depths),
            ),
        )


def _line(line: Line, display: Display, width: int) -> Iterator[str]:
    symbol = f" {line['symbol']}" if line["symbol"] else ""
    head = f"  {line['what']}{symbol}"
    if line["value"] is not None:
        shown = f"{line['value']:.4f}".rstrip("0").rstrip(".")
        head += f" = {shown} {line['unit']}".rstrip()
        if display == "us" and line["unit"].startswith("mm") and "/" not in line["unit"]:
            head += f" ({show_depth(line['value'], display)})"
    if line["source"]:
        head += f"  [{line['source']}]"
    yield from wrap(head, width, 6)
    for text in (line["formula"], line["numbers"]):
        if text:
            yield from wrap(text, width, 8, first=6, cut=False)
