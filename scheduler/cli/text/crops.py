"""The crop table as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import wrap
from scheduler.show import METERS_PER_FOOT, Display, show_depth, show_temperature

if TYPE_CHECKING:
    from scheduler.shapes.crops import CropLine, CropsPage

INDENT = 4
NAME_WIDTH = 20
ONE_LINE = 72
"""Columns of a crop's name and figures."""


def crops_text(page: CropsPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page["crops"], display, width))


def _lines(crops: list[CropLine], display: Display, width: int) -> Iterator[str]:
    yield from _row("crop", ("stage days", "Kc", "roots", "use"), width)
    for crop in crops:
        yield from _crop(crop, display, width)
        if len(crops) == 1:
            for line in _from_seed_to_lifting(crop, display):
                yield from wrap(line, width, INDENT + 2, first=INDENT)
            yield from _sources(crop, width)


def _crop(crop: CropLine, display: Display, width: int) -> Iterator[str]:
    days = "/".join(str(stage["days"]) for stage in crop["stages"])
    kc = " ".join(f"{crop['stages'][i]['kc']:.2f}" for i in (0, 2, 3))
    yield from _row(crop["crop"], (days, kc, _roots(crop, display), f"{crop['depletion']:.0%}"), width)
    if crop["like"]:
        yield f"    as {crop['like']}"
    if said := [name for name in crop["also"] if not set(",;(") & set(name)]:
        yield from wrap(f"also {', '.join(said)}", width, INDENT, first=INDENT)


def _row(name: str, figures: tuple[str, str, str, str], width: int) -> Iterator[str]:
    days, kc, roots, use = figures
    if width >= ONE_LINE:
        yield f"{name:<{NAME_WIDTH}} {days:<13} {kc:<14} {roots:<10} {use:>3}"
    else:
        yield from (name, f"  {days:<13} {kc}", f"  {roots:<13} {use}")


def _roots(crop: CropLine, display: Display) -> str:
    """From young to grown."""
    unit, per_m = ("in", 12 / METERS_PER_FOOT) if display == "us" else ("cm", 100.0)
    depth = crop["root_depth_m"]
    start, full = f"{depth['start'] * per_m:.0f}", f"{depth['full'] * per_m:.0f}"
    return f"{full if start == full else f'{start}-{full}'} {unit}"


def _from_seed_to_lifting(crop: CropLine, display: Display) -> Iterator[str]:
    if kcb := crop["kcb"]:
        figures = f"{kcb['initial']:.2f} {kcb['mid_season']:.2f} {kcb['late_season']:.2f}"
        yield f"Kcb, the crop by itself: {figures}"
    yield _start(crop, display)
    if heat := crop["heat"]:
        most = "" if heat["upper_c"] is None else f", up to {show_temperature(heat['upper_c'], display)}"
        yield f"stages by warmth over {show_temperature(heat['base_c'], display)}{most}"
    yield from _end(crop, display)
    if crop["ec_threshold_ds_m"] is not None:
        loss = f"{crop['ec_slope_pct']:g}% less for each beyond"
        yield f"salt: full yield to {crop['ec_threshold_ds_m']:g} dS/m, {loss}"
    if ky := crop["yield_response"]:
        figures = ", ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in ky.items())
        yield f"yield response Ky: {figures}"


def _start(crop: CropLine, display: Display) -> str:
    if crop["by"] == "sets":
        return "from sets"
    sown = f"{show_depth(1000 * crop['seed_depth_m'], display)} deep"
    if up := crop["emergence"]:
        base = show_temperature(up["base_c"], display)
        sown += f", up after {_sum(up['sum_c_days'], display)} over {base}"
    return f"sown {sown}" if crop["by"] == "seed" else f"set out; sown: {sown}"


def _end(crop: CropLine, display: Display) -> Iterator[str]:
    if (dry := crop["dry_off"]) and dry["days"]:
        share = dry["refill_at"]
        hardly = "" if share is None else f", watered only when {share:.0%} of the easily used water is gone"
        yield f"dries off {dry['days']} days before lifting{hardly}"
    if crop["killed_below_c"] is not None:
        yield f"killed below {show_temperature(crop['killed_below_c'], display)}"


def _sum(c_days: float, display: Display) -> str:
    return f"{1.8 * c_days:.0f} F-days" if display == "us" else f"{c_days:.0f} C-days"


def _sources(crop: CropLine, width: int) -> Iterator[str]:
    for figure, source in crop["source"].items():
        yield from wrap(f"{figure.replace('_', ' ')}: {source}", width, INDENT + 2, first=INDENT)
