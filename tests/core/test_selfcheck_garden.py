"""The small garden that `rowwater selfcheck` walks, by the independent scalar model."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from core import second_model as m

from scheduler.selfcheck import plot
from scheduler.selfcheck.cases import Case, sources

LITRES_A_MINUTE = 0.5
"""Of one row of 10 m with the plain plot's tape."""


def case() -> Case:
    return next(case for source in sources() for case in source.cases if case.name == "three-beds")


def plantings(row: Any) -> Iterator[m.Planting]:
    threshold, slope = row["salt"]
    crop = m.Crop(
        "crop", tuple(map(int, row["stage_days"])), tuple(row["kcb"]), *row["root_m"], row["depletion"],  # type: ignore[arg-type]
        height_m=row["height_m"], by=row["by"],
        emergence=None if row["emergence"] is None else tuple(row["emergence"]),
        dry_off=(int(row["dry_off_days"]), None), ec_threshold=threshold, ec_slope=slope,
    )  # fmt: skip
    for begin, end in ((1, row["pulled_on_day"]), (row["again_on_day"], None)):
        if begin is not None:
            yield m.Planting(
                crop, on(begin), 10.0, 1, row["spacing_m"], flow_lpm=LITRES_A_MINUTE,
                pulled=None if end is None else on(end), mulch=row["mulch"], cover=row["cover"],
            )  # fmt: skip


def on(number: float) -> Any:
    return plot.FIRST + timedelta(days=int(number) - 1)


def walked(row: Any) -> tuple[list[dict[str, Any]], m.Walk]:
    soil = row["soil"]
    zone = m.Zone(
        "bed", m.Soil(soil.theta_fc, soil.theta_wp, soil.texture_group, soil.rew_mm), list(plantings(row)),
        row["wetted_width_m"], uniformity=0.9, tape_depth_m=row["tape_depth_m"],
    )  # fmt: skip
    weather = m.Weather(
        plot.FIRST - timedelta(days=int(row["days_before"])), row["et0_mm"], row["rain_mm"], row["tmin_c"],
        row["tmax_c"], row["wind_2m_m_s"], row["rh_min_pct"],
    )  # fmt: skip
    walk = m.Walk(zone, weather, ecw=row["ec_ds_m"])
    days = len(row["et0_mm"]) - int(row["days_before"])
    return walk.run(plot.FIRST, on(days)), walk


def found(row: Any) -> dict[str, float]:
    days, walk = walked(row)
    assert walk.layer is not None
    assert walk.salt is not None
    summed = ("evaporation_mm", "use_mm", "net_mm", "minutes", "percolation_mm", "short_use_mm",
              "sprinkle_mm", "pulses")  # fmt: skip
    totals = {name: sum(float(day[name]) for day in days) for name in summed}
    return totals | {
        "deficit_mm": walk.dr, "surface_mm": walk.layer.i, "middle_mm": walk.layer.p,
        "ece_ds_m": walk.salt.ece,
    }  # fmt: skip


@pytest.mark.parametrize("k", range(3))
def test_the_printed_figures_are_those_of_the_second_model(k: int) -> None:
    printed = case().printed[k]
    ours = found(case().rows[k])
    assert printed.keys() == ours.keys()
    for name, value in ours.items():
        assert value == pytest.approx(printed[name].value, abs=printed[name].within), name


def test_the_garden_meets_what_it_is_there_for() -> None:
    """A seedbed and its end, settling in, a skipped settling run, leaching, drying off, a gap, two pulses."""
    sown, planted, cured = (walked(row)[0] for row in case().rows)
    assert {day["seedbed"] for day in sown} == {True, False}
    assert any(day["minutes"] > 0 and day["seedbed"] for day in sown)
    assert sum(day["minutes"] > 0 for day in planted[:10]) >= 3
    assert any(day["pulses"] > 1 for day in cured + sown + planted)
    assert any(day["dry_off"] for day in cured)
    assert len(cured) < len(planted)
    assert any(day["short_use_mm"] > 0 for day in cured + sown)
    assert any(day["percolation_mm"] > 0 for day in cured + sown + planted)
    leached = [day["net_mm"] / day["gross_mm"] for day in planted if day["gross_mm"] > 0]
    assert min(leached) < 0.9 * (1 - 0.1)
    assert max(leached) == pytest.approx(0.9)
