"""One figure of a working: what it is, its symbol, its value and where it comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scheduler.show import Display, show_depth

if TYPE_CHECKING:
    from scheduler.shapes.working import Line


def figure(line: Line, display: Display) -> str:
    """ "wind at 2 m u2 = 1.4211 m/s  [FAO-56 eq 47, given]"; depths in inches too, where those are shown."""
    symbol = f" {line['symbol']}" if line["symbol"] else ""
    said = f"{line['what']}{symbol}"
    if line["value"] is not None:
        shown = f"{line['value']:.4f}".rstrip("0").rstrip(".")
        said += f" = {shown} {line['unit']}".rstrip()
        if display == "us" and line["unit"].startswith("mm") and "/" not in line["unit"]:
            said += f" ({show_depth(line['value'], display)})"
    return f"{said}  [{line['source']}]" if line["source"] else said
