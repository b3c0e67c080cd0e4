"""The crop table as plain values."""

from __future__ import annotations

from collections.abc import Iterable

from scheduler.model import CropEntry
from scheduler.shapes.crops import CropLine, CropsPage

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
        "ec_threshold_ds_m": crop.ec_threshold_ds_m,
        "source": dict(entry.source),
    }
