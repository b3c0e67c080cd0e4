"""What this morning asks for: against the open garden, and rules of the live morning by themselves."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from core import gardens

from scheduler.core.balance.et import fill, reference_et
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.sowing import started_by
from scheduler.core.balance.stored import stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.garden.file import load
from scheduler.model import Crop, Settle, Shelter, Supply, Zone
from scheduler.weather.files.daily import read

OPEN = Path(__file__).parents[1] / "reference" / "open_garden2"


def morning(count: int, et0: float, **more: Any) -> Morning:
    given: dict[str, Any] = {
        "rain_so_far_mm": 0.0, "applied_today_mm": np.zeros(count), "forecast_rain_mm": np.full(7, np.nan),
        "rain_chance": np.full(7, np.nan), "days_to_next_morning": 1, "held": np.zeros(count, dtype=bool),
    } | more  # fmt: skip
    return Morning(et0, **given)


def settled(zone: Zone) -> Zone:
    """Transplants settle in, and crops stand until they are pulled."""
    plantings = [
        replace(
            p,
            crop=replace(p.crop, hold_last_stage=True),
            settle=Settle() if p.settle is None and started_by(p) == "transplants" else p.settle,
        )
        for p in zone.plantings
    ]
    return replace(zone, plantings=tuple(plantings))


def test_each_morning_of_the_open_garden(tmp_path: Path) -> None:
    """Last night's deficit, layer and salt in, the printed minutes out; p by the day's own ET0."""
    shutil.copytree(OPEN, tmp_path, dirs_exist_ok=True)
    with (tmp_path / "garden.yaml").open("a") as file:
        file.write("crop_coefficient: dual\n")
    garden, days = load(tmp_path / "garden.yaml"), read(OPEN / "weather.csv")
    zones = tuple(settled(zone) for zone in garden.zones)
    first, last = date(2015, 4, 20), date(2015, 8, 20)
    et = fill(reference_et(days, garden.location), first, last)
    span = slice((first - days.first).days, (last - days.first).days + 1)
    laid_out = terms(
        zones, first, et.et0_mm[span], days.rain_mm[span], location=garden.location,
        supply=garden.supply, coefficient="dual", record=stored(days, et),
    )  # fmt: skip
    rule = RefillRule.of(zones)
    walked = run(laid_out, starting_deficit=np.full(2, np.nan), rule=rule).apart
    assert walked is not None
    names = [zone.name for zone in zones]
    rows = json.loads((OPEN / "expected.json").read_text())["days"]
    waterings = 0
    for row in rows:
        d, z = (date.fromisoformat(row["date"]) - first).days, names.index(row["zone"])
        deficit = np.zeros(2)
        deficit[z] = row["deficit_start_mm"]
        asked = need_today(
            laid_out, d, deficit,
            morning(2, row["et0_mm"], surface_mm=walked.surface_start[d], leaching=walked.leaching[d]), rule,
        )  # fmt: skip
        assert asked.minutes[z] == row["minutes"], row
        assert asked.net[z] == pytest.approx(row["net_mm"], abs=2e-6)
        assert asked.raw[z] == pytest.approx(row["raw_mm"], abs=2e-6)
        assert asked.seedbed[z] == row["seedbed"]
        assert asked.sprinkle_mm[z] == pytest.approx(row["sprinkle_mm"], abs=2e-6)
        waterings += asked.waterings[z] > 0
    assert len(rows) == 197
    assert waterings > 3


# --- one morning of one bed ------------------------------------------------------------------------

CARROT = Crop(
    "carrot", 0.7, 1.05, 0.95, (20, 30, 50, 20), 0.15, 0.6, 0.35, height_m=0.3, by="seed", seed_depth_m=0.012
)
KALE = Crop("kale", 0.7, 1.05, 0.95, (20, 30, 40, 20), 0.15, 0.5, 0.45, height_m=0.4)


def bed(crop: Crop, *, zone: dict[str, Any] | None = None, **planting: Any) -> tuple[Zone, ...]:
    return (gardens.zone(gardens.planting(crop, gardens.FIRST, **planting), **(zone or {})),)


def laid(zones: tuple[Zone, ...], days: int = 8, et0: float = 5.0) -> Terms:
    record = gardens.weather(gardens.FIRST, days, tmin_c=10.0, tmax_c=25.0, rain_mm=0.0)
    et = replace(reference_et(record, gardens.HERE), et0_mm=np.full(days, et0))
    return terms(
        zones, gardens.FIRST, np.full(days, et0), np.zeros(days), location=gardens.HERE, supply=Supply(30.0),
        coefficient="dual", record=stored(record, et),
    )  # fmt: skip


def ask(zones: tuple[Zone, ...], *, day: int = 2, deficit: float = 0.0, **known: Any) -> Need:
    known = {name: np.array([v]) if isinstance(v, float) and name != "rain_so_far_mm" else v
             for name, v in known.items()}  # fmt: skip
    return need_today(laid(zones), day, np.array([deficit]), morning(1, 5.0, **known), RefillRule.of(zones))


def test_a_seedbed_that_would_dry_is_watered_though_its_roots_lack_nothing() -> None:
    """Loam, seed at half an inch: c = 4.5 mm; the layer would be at 8 + 5 mm by tonight, so two waterings."""
    asked = ask(bed(CARROT), surface_mm=8.0)
    assert asked.seedbed.all()
    assert not asked.due.any()
    assert asked.minutes.tolist() == [max(30.0, round(0.8 * 8 / laid(bed(CARROT)).stands[0].net_per_minute))]
    assert asked.waterings.tolist() == [2.0]
    assert asked.sprinkle_mm.tolist() == [0.0]
    assert ask(bed(CARROT), surface_mm=0.0).minutes.tolist() == [30.0]  # 5 mm goes by tonight, 4.5 may
    assert not ask(bed(replace(CARROT, seed_depth_m=0.05)), surface_mm=6.0).minutes.any()


def test_what_ran_this_morning_is_taken_off_the_seedbeds_water() -> None:
    whole = ask(bed(CARROT), surface_mm=8.0)
    half = ask(bed(CARROT), surface_mm=8.0, applied_today_mm=float(whole.net[0] / 2))
    assert half.minutes[0] == pytest.approx(whole.minutes[0] / 2, abs=1)
    assert half.waterings.tolist() == [1.0]
    assert not ask(bed(CARROT), surface_mm=8.0, applied_today_mm=float(whole.net[0])).minutes.any()


def test_rain_and_sprinkling_wet_the_seedbed() -> None:
    wet = ask(bed(replace(CARROT, seed_depth_m=0.025)), surface_mm=8.0, rain_so_far_mm=8.0)
    assert wet.surface.tolist() == [0.0]
    assert not wet.minutes.any()
    deep = bed(CARROT, zone={"tape_depth_m": 0.25})
    assert ask(deep, surface_mm=8.0).sprinkle_mm.tolist() == [8.0]
    assert not ask(deep, surface_mm=8.0).minutes.any()
    assert ask(deep, surface_mm=8.0, sprinkled_today_mm=8.0).sprinkle_mm.tolist() == [0.0]


def test_an_emerged_row_and_a_held_valve_ask_for_nothing() -> None:
    up = bed(CARROT, emerged=gardens.FIRST + timedelta(days=2))
    assert not ask(up, surface_mm=8.0).minutes.any()
    assert ask(up, day=1, surface_mm=8.0).minutes.any()
    held = ask(bed(CARROT), surface_mm=8.0, held=np.array([True]))
    assert not held.minutes.any()
    assert not held.waterings.any()


def test_planting_day_refills_whatever_the_trigger_and_the_room_left() -> None:
    """Dry bed: the strip's layer counts where it lacks more than the deficit; never less than settling in."""
    zones = bed(KALE, settle=Settle(run_minutes=12.0), zone={"leave_room_mm": 50.0})
    asked = ask(zones, day=0, deficit=2.0, surface_mm=15.0)
    assert asked.planting_day.all()
    assert asked.net[0] == pytest.approx(0.8 * 15, abs=0.05)
    assert ask(zones, day=0, deficit=14.0, surface_mm=15.0).net[0] == pytest.approx(14.0, abs=0.05)
    assert ask(zones, day=0, surface_mm=0.0).minutes.tolist() == [12.0]
    assert not ask(zones, day=1, surface_mm=15.0).minutes.any()
    assert ask(zones, day=2, surface_mm=0.0).minutes.tolist() == [12.0]  # every second day
    watered = ask(zones, day=0, deficit=2.0, surface_mm=15.0, applied_today_mm=12.0)
    assert not watered.minutes.any()


def test_planting_day_and_seedbed_wait_for_no_rain() -> None:
    rain = {"forecast_rain_mm": np.full(7, 30.0), "rain_chance": np.ones(7)}
    set_out = bed(KALE, settle=Settle())
    assert ask(bed(KALE), day=3, deficit=6.0, surface_mm=5.0, **rain).waits.all()
    today = ask(set_out, day=0, deficit=6.0, surface_mm=5.0, **rain)
    assert not today.waits.any()
    assert today.minutes.any()
    sown = ask(bed(CARROT), day=3, deficit=6.0, surface_mm=9.0, **rain)
    assert not sown.waits.any()
    assert sown.minutes.any()


def test_under_a_tunnel_rain_is_neither_counted_nor_waited_for() -> None:
    tunnel = bed(KALE, shelter=Shelter("tunnel", 0.7, True))
    rain = {"forecast_rain_mm": np.full(7, 30.0), "rain_chance": np.ones(7), "rain_so_far_mm": 20.0}
    inside = ask(tunnel, day=3, deficit=8.0, surface_mm=5.0, **rain)
    assert inside.deficit_now.tolist() == [8.0]
    assert inside.minutes.any()
    out = ask(bed(KALE), day=3, deficit=8.0, surface_mm=5.0, **rain)
    assert out.deficit_now.tolist() == [0.0]
    assert inside.p[0] > out.p[0]  # less is asked of the soil a day


def test_the_day_after_a_feed_neither_leaches_nor_waits() -> None:
    rain = {"forecast_rain_mm": np.full(7, 30.0), "rain_chance": np.ones(7)}
    known = {"deficit": 8.0, "surface_mm": 5.0, "leaching": np.array([0.2])}
    salted = ask(bed(KALE), day=3, **known)
    fed = ask(bed(KALE), day=3, **known, **rain, fed_yesterday=np.array([True]))
    assert salted.leaching.tolist() == [0.2]
    assert fed.leaching.tolist() == [0.0]
    assert fed.minutes[0] == pytest.approx(0.8 * salted.minutes[0], abs=1)
    assert not ask(bed(KALE), day=3, **known, **rain).minutes.any()


def test_drying_off_takes_every_run() -> None:
    onion = bed(KALE, dry_from=gardens.FIRST, settle=Settle())
    asked = ask(onion, day=0, deficit=20.0, surface_mm=15.0)
    assert asked.drying_off.all()
    assert not asked.minutes.any()
