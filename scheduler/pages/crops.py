"""The crop table as plain values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict

from scheduler.model import Crop, CropEntry
from scheduler.shapes.crops import Basal, CropLine, CropsPage, HeatLine

STAGES = ("initial", "development", "mid-season", "late season")


def crops_page(entries: Iterable[CropEntry]) -> CropsPage:
    return {"crops": [_line(entry) for entry in entries]}


def _line(entry: CropEntry) -> CropLine:
    crop = entry.crop
    kc = (crop.kc_ini, crop.kc_mid, crop.kc_mid, crop.kc_end)
    return {
        "crop": crop.name,
        "also": list(entry.also),
        "like": crop.like,
        "stages": [
            {"stage": stage, "days": days, "kc": value}
            for stage, days, value in zip(STAGES, crop.stage_days, kc, strict=True)
        ],
        "root_depth_m": {"start": crop.root_start_m, "full": crop.root_full_m},
        "depletion": crop.depletion,
        "height_m": crop.height_m,
        "kcb": _basal(crop),
        "by": crop.by,
        "seed_depth_m": crop.seed_depth_m,
        "emergence": None
        if crop.emergence is None
        else {"sum_c_days": crop.emergence.sum_c, "base_c": crop.emergence.base_c},
        "heat": _heat(crop),
        "dry_off": None
        if crop.dry_off is None
        else {"days": crop.dry_off.days, "refill_at": crop.dry_off.refill_at},
        "killed_below_c": crop.killed_below_c,
        "ec_threshold_ds_m": crop.ec_threshold_ds_m,
        "ec_slope_pct": crop.ec_slope_pct,
        "yield_response": _yield_response(crop),
        "source": dict(entry.source),
    }


def _basal(crop: Crop) -> Basal | None:
    if crop.kcb is None:
        return None
    initial, mid, end = crop.kcb
    return {"initial": initial, "mid_season": mid, "late_season": end}


def _heat(crop: Crop) -> HeatLine | None:
    if crop.heat is None:
        return None
    return {
        "base_c": crop.heat.base_c,
        "upper_c": crop.heat.upper_c,
        "method": crop.heat.method,
        "stages_c_days": None if crop.heat.stages is None else list(crop.heat.stages),
    }


def _yield_response(crop: Crop) -> dict[str, float] | None:
    if crop.yield_response is None:
        return None
    return {name: ky for name, ky in asdict(crop.yield_response).items() if ky is not None}
