"""Salt in the strip and what leaching asks for, as lines of the working (model M12)."""

from __future__ import annotations

from collections.abc import Iterator

from scheduler.core.balance.salt import LEACH_ABOVE, MOST_LEACHING
from scheduler.pages.lines import line
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off


def salt_lines(spot: ZoneDay, plan: Plan) -> Iterator[Line]:
    """Nothing where the salinity of the water is not given."""
    salts, apart = spot.live.terms.salt, spot.live.balance.apart
    if salts is None or apart is None:
        return
    crop, ec = spot.crop, salts.water_ec
    threshold = crop.ec_threshold_ds_m
    yield line("salt of the water", "ECw", ec, "dS/m", source="garden.yaml supply.ec")
    yield line("water of a quarter of the roots' depth", "V", float(salts.v_mm[spot.stand_no]), "mm", "1000 FC Zr_full / 4 x Pw", f"1000 x {spot.zone.soil.theta_fc:.4f} x {crop.root_full_m:.3f} / 4 x {spot.stand.wetted:.4f}", "model M12")
    ece = float(apart.ece_start[spot.d, spot.z])
    yield line("salt of the strip last night", "ECe", ece, "dS/m", "(ECw + sum of the quarters' salt / V) / 10", source="four quarters that give 40/30/20/10 %; soil water is twice the extract (FAO-29, from memory)")
    if threshold is None:
        yield line("no leaching: the table says nothing of this crop and salt")
        return
    yield line("salt it bears with a full yield", "a", threshold, "dS/m", f"then {crop.ec_slope_pct:g} % less for each dS/m", source="Maas and Hoffman 1977, see the crop table")
    asked = ec / (2 * (threshold + 100 / crop.ec_slope_pct))
    yield line("leaching requirement", "LR", min(asked, MOST_LEACHING), "", f"ECw / (2 (a + 100 / slope)), at most {MOST_LEACHING:g}", f"min({MOST_LEACHING:g}, {ec:.3f} / (2 x ({threshold:.3f} + 100 / {crop.ec_slope_pct:.3f})))", "Keller and Bliesner 1990, drip (from memory)")
    in_force = float(plan.need.leaching[spot.z])
    yield line("leaching this morning", "LR", in_force, "", f"where LR > {LEACH_ABOVE:g} and ECe > a; not the day after feeding", f"{asked:.3f} against {LEACH_ABOVE:g}, {ece:.3f} against {threshold:.3f}", "model M12")
