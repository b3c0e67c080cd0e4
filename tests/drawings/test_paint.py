"""Pictures can be told apart without colour, and seen on either ground."""

from __future__ import annotations

import re

import pytest

from scheduler.drawings.paint import COLOURS, RULES, css, css_for_paper

OKABE_ITO = {"#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
"""Okabe and Ito 2008; the same eight in Wong 2011, Nature Methods 8, 441, figure 1 (as hex, from memory)."""
DARKER = {"#a8548a"}
GROUNDS = ("paper", "ahead")
QUANTITIES = ("water", "rain", "dry", "raw")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definitions."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: from 1 to 21
    assert contrast("#767676", "#ffffff") == pytest.approx(
        4.54, abs=0.01
    )  # the lightest grey for text; common knowledge


@pytest.mark.parametrize("shade", ["light", "dark"])
@pytest.mark.parametrize("ground", GROUNDS)
def test_marks_and_words_stand_out(shade: str, ground: str) -> None:
    """WCAG 2.2: 1.4.3 wants 4.5 to 1 of words, 1.4.11 wants 3 to 1 of graphical objects."""
    under = getattr(COLOURS[ground], shade)
    for name in ("ink", "faint", "alarm", "water"):  # water: of links and buttons
        assert contrast(getattr(COLOURS[name], shade), under) >= 4.5
    for name in QUANTITIES:
        assert contrast(getattr(COLOURS[name], shade), under) >= 3


def test_quantities_are_of_the_palette() -> None:
    used = {colour for name in QUANTITIES for colour in COLOURS[name]}
    assert used <= OKABE_ITO | DARKER


def test_every_line_has_dashes_of_its_own() -> None:
    lines = re.findall(r"\.(deficit|trigger|raw|taw) \{ stroke: [^;]+;([^}]*)\}", RULES)
    dashes = [
        found.group(1) if (found := re.search(r"dasharray: ([\d ]+)", rest)) else "" for _, rest in lines
    ]
    assert len(lines) == len(set(dashes)) == 4


def test_every_colour_is_named_once_and_known() -> None:
    assert set(re.findall(r"var\(--(\w+)\)", RULES)) <= set(COLOURS)
    assert "var(" not in css_for_paper()
    assert "#0072b2" in css_for_paper()
    assert css().count("#56b4e9") == 1
