"""Plots for the tests of the supply side, as a grower would write them."""

from __future__ import annotations

from scheduler.garden.file import load_text
from scheduler.model import Garden

PLOT = """
garden: test plot
location: {latitude: 35.61, longitude: -82.44, elevation: 650 m, timezone: America/New_York}
display: %(display)s
supply: {bucket: {volume: 5 gal, time: 60 s}, keep_back: 20%%, pressure: 12 psi%(mainline)s}
tapes:
  thin: {flow: 0.40 gpm/100ft, rated_at: 12 psi, inside_diameter: 0.625 in, crop_cycles: 2}
  thick: {flow: 0.50 gpm/100ft}
zones:
  beds:
    rows: {count: 3, length: 80 ft, spacing: 5 ft}  # the fall rows of 20 in fill the same 15 ft
    tape: thin
    tape_laid: 2026-04-10
    soil: loam
    plantings:
      - {crop: tomato, planted: 2026-04-20, pulled: 2026-08-10}
      - crop: broccoli
        planted: 2026-08-20
        pulled: 2026-11-10
        rows: {count: 9, length: 80 ft, spacing: 20 in}
  side:
    rows: {count: 2, length: 40 ft, spacing: 3 ft, tapes: 2}
    tape: thick
    soil: loam
    plantings:
      - {crop: summer squash, planted: 2026-05-10, pulled: 2026-09-01, hold_last_stage: true}
"""


def plot_text(*, display: str = "us", mainline: str = "") -> str:
    return PLOT % {"display": display, "mainline": f", mainline: {mainline}" if mainline else ""}


def plot(text: str | None = None) -> Garden:
    return load_text(plot_text() if text is None else text)
