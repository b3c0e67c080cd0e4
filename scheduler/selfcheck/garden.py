"""A small garden, walked by the plain rule: sown, set out and cured beds, a gap, salt in the water."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any

import numpy as np

from scheduler.core.balance.pulses import pulses
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.short_use import short_use
from scheduler.core.balance.soil import run
from scheduler.core.balance.stored import Stored
from scheduler.core.balance.terms import terms
from scheduler.model import Crop, DryOff, Emergence, Planting, Settle, Supply, Zone
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures
from scheduler.selfcheck.cases import Inputs


def _crop(i: Inputs) -> Crop:
    threshold, slope = i["salt"]
    start, full = i["root_m"]
    more: dict[str, Any] = {} if i["emergence"] is None else {"emergence": Emergence(*i["emergence"])}
    if i["dry_off_days"]:
        more["dry_off"] = DryOff(int(i["dry_off_days"]))
    return plot.crop(
        kcb=tuple(i["kcb"]), film_kcb=0.10, stage_days=tuple(map(int, i["stage_days"])),
        height_m=i["height_m"], root_start_m=start, root_full_m=full, depletion=i["depletion"], by=i["by"],
        ec_threshold_ds_m=threshold, ec_slope_pct=slope, **more,
    )  # fmt: skip


def _plantings(i: Inputs) -> Iterator[Planting]:
    """On the first day, and once more after a gap where the row says so."""
    crop, settle = _crop(i), Settle() if i["by"] == "transplants" else None
    rows = plot.rows(i["spacing_m"])
    pulled, again = i["pulled_on_day"], i["again_on_day"]

    def day(number: float) -> Any:
        return plot.FIRST + timedelta(days=int(number) - 1)

    end = None if pulled is None else day(pulled)
    yield Planting(
        crop, plot.FIRST, end, rows, mulch=i["mulch"], cover=i["cover"], own_rows=True, settle=settle
    )
    if again is not None:
        yield plot.planting(crop, day(again), rows=rows, mulch=i["mulch"], cover=i["cover"], settle=settle)


def _zone(i: Inputs) -> Zone:
    return plot.zone(
        *_plantings(i), name=i["soil"].name, soil=i["soil"], wetted_width_m=i["wetted_width_m"],
        tape_depth_m=i["tape_depth_m"], uniformity=0.9,
    )  # fmt: skip


def _record(i: Inputs) -> Stored:
    first = plot.FIRST - timedelta(days=int(i["days_before"]))
    names = ("et0_mm", "rain_mm", "tmin_c", "tmax_c", "wind_2m_m_s", "rh_min_pct")
    return Stored(first, *(np.array(i[name]) for name in names))


def _season(rows: Sequence[Inputs]) -> Iterator[Figures]:
    zones = tuple(map(_zone, rows))
    record, shared = _record(rows[0]), rows[0]
    days = slice(int(shared["days_before"]), None)
    laid_out = terms(
        zones, plot.FIRST, record.et0_mm[days], record.rain_mm[days], location=plot.HERE,
        supply=Supply(flow_lpm=100.0, ec_ds_m=shared["ec_ds_m"]), coefficient="dual", record=record,
    )  # fmt: skip
    balance = run(laid_out, starting_deficit=np.full(len(zones), np.nan), rule=RefillRule.of(zones))
    apart = balance.apart
    assert apart is not None
    totals = {
        "evaporation_mm": apart.evaporation, "use_mm": apart.use, "net_mm": balance.irrigation,
        "minutes": balance.minutes, "percolation_mm": balance.percolation,
        "short_use_mm": short_use(laid_out, balance), "sprinkle_mm": apart.sprinkle,
        "pulses": pulses(zones, laid_out, balance),
    }  # fmt: skip
    evenings = {
        "deficit_mm": balance.deficit_end, "surface_mm": apart.surface, "middle_mm": apart.middle,
        "ece_ds_m": apart.ece,
    }  # fmt: skip
    for z in range(len(zones)):
        yield {
            **{name: float(values[:, z].sum()) for name, values in totals.items()},
            **{name: float(values[-1, z]) for name, values in evenings.items()},
        }


ANSWERS: dict[str, Answer] = {"three-beds": _season}
