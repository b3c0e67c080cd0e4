"""The paint of pictures and of the pages around them: one palette, light and dark.

The colours are those of Okabe and Ito (2008, "Color Universal Design: how to make figures and presentations
that are friendly to colorblind people", University of Tokyo), told apart with each kind of colour blindness.
Nothing rests on colour alone: lines differ in their dashes, bars in lanes, filling or place.
"""

from __future__ import annotations

import re
from typing import NamedTuple


class Shade(NamedTuple):
    light: str
    dark: str


COLOURS = {
    "paper": Shade("#ffffff", "#161616"),
    "ink": Shade("#1b1b1b", "#eeeeee"),
    "faint": Shade("#595959", "#b0b0b0"),
    "level": Shade("#d8d8d8", "#3d3d3d"),
    "ahead": Shade("#f4f5f6", "#262a2e"),
    "water": Shade("#0072b2", "#56b4e9"),  # blue, sky blue
    "rain": Shade("#009e73", "#009e73"),  # bluish green
    "dry": Shade("#d55e00", "#e69f00"),  # vermillion, orange
    "alarm": Shade("#a84a00", "#e69f00"),  # for words: vermillion, on white darker; orange
    "raw": Shade("#a8548a", "#cc79a7"),  # reddish purple, on white a shade darker for the sake of contrast
}
"""paper to ahead, alarm: what pages and axes are made of; the others stand for quantities."""
PRESSURES = ("#eaf3fa", "#b9d9ec", "#7fbbdc", "#3f96c7", "#0072b2", "#00456d")
"""From low to high: shades of the palette's blue, told apart by how dark they are; alike on either ground."""

PLACE = ".picture { display: block; width: 100%; max-width: 46rem; min-width: 19rem; height: auto; }\n"
"""How a picture lies on a page."""
RULES = """\
.picture .words { font: 13px system-ui, "DejaVu Sans", sans-serif; fill: var(--ink); }
.picture .name { font: bold 15px system-ui, "DejaVu Sans", sans-serif; fill: var(--ink); }
.picture .level { stroke: var(--level); stroke-width: 1; }
.picture .ahead { fill: var(--ahead); }
.picture .water { fill: var(--water); stroke: var(--water); stroke-width: 1; }
.picture .rain { fill: var(--water); fill-opacity: 0.35; stroke: var(--water); stroke-width: 1.4; }
.picture .asked { fill: var(--paper); stroke: var(--water); stroke-width: 1.6; }
.picture .timer { fill: var(--faint); stroke: var(--faint); stroke-width: 1; }
.picture .air { fill: var(--dry); stroke: var(--dry); stroke-width: 1; }
.picture .known { fill: var(--rain); stroke: var(--rain); stroke-width: 1.4; }
.picture .guessed { fill: var(--paper); stroke: var(--rain); stroke-width: 1.4; }
.picture .doubt { fill: var(--dry); stroke: none; fill-opacity: 0.22; }
.picture .line { fill: none; stroke: var(--ink); stroke-width: 1.6; }
.picture .deficit { stroke: var(--dry); stroke-width: 2.2; }
.picture .sun, .picture .sum { stroke: var(--dry); stroke-width: 2.2; }
.picture .clear { stroke: var(--ink); stroke-dasharray: 7 4; }
.picture .trigger { stroke: var(--ink); stroke-dasharray: 7 4; }
.picture .raw { stroke: var(--raw); stroke-dasharray: 2 3; }
.picture .taw { stroke: var(--faint); stroke-dasharray: 9 3 2 3; }
.picture .edge { fill: none; stroke: var(--faint); stroke-width: 1; }
.picture .rim { stroke: var(--ink); stroke-width: 2; stroke-dasharray: 7 4; }
"""

_VARIABLE = re.compile(r"var\(--(\w+)\)")


def css() -> str:
    """For a page: variables of both shades, and the look of each kind of mark."""
    light, dark = (
        " ".join(f"--{name}: {shade[k]};" for name, shade in COLOURS.items())
        for k in range(len(Shade._fields))
    )
    return (
        f":root {{ color-scheme: light dark; {light} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
        f"@media print {{ :root {{ color-scheme: light; {light} }} }}\n"
        f"{PLACE}{RULES}"
    )


def css_for_paper() -> str:
    """The light shade without variables, for what draws a picture without a browser."""
    return _VARIABLE.sub(lambda found: COLOURS[found[1]].light, RULES)
