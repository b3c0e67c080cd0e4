"""Figures that no drip-tape garden has: mostly a unit typed for another.

The bounds lie well outside what is in use; they are common practice, without a source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from scheduler.garden.blocks import GardenBlock, SupplyBlock, TapeBlock
from scheduler.garden.nodes import At
from scheduler.garden.planting_blocks import RowsBlock
from scheduler.garden.sheet import Sheet
from scheduler.units import BadQuantity, KindName, read, shown

KPA_PER_PSI = 6.894757
THIN_TAPE_KPA = 40 * KPA_PER_PSI
"""Thin tape works at 4 to 20 psi and bursts at some two or three times its rating."""
DRIPLINE_KPA = 100 * KPA_PER_PSI
DRIPLINE_WALL_M = 25 * 2.54e-5
"""From 25 mil on the wall is that of a dripline (hose), which works at up to 60 psi."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What is possible of a quantity, and what is usual, in house units."""

    kind: KindName
    least: float
    most: float
    usual_least: float
    usual_most: float
    words: str
    units: tuple[str, ...]  # for which another may have been typed

    def complaint(self, value: float, typed: str | None) -> str | None:
        if self.least <= value <= self.most:
            return None
        told = shown(typed) if typed else f"{value:g}"
        return f"{told} is {self._side(value)} - {self.words}{self._meant(typed)}"

    def _side(self, value: float) -> str:
        return "far too little" if value < self.least else "far too much"

    def _meant(self, typed: str | None) -> str:
        number = re.match(r"\s*[0-9.]+", typed or "")
        for unit in self.units if number else ():
            assert number
            guess = f"{number[0].strip()} {unit}"
            try:
                value = read(self.kind, guess, display="us")
            except BadQuantity:
                continue
            if self.usual_least <= value <= self.usual_most:
                return f'; did you mean "{guess}"?'
        return ""


EMITTERS = Usual("length", 0.03, 3.0, 0.05, 1.0, "emitters stand 4 to 36 in (10 to 90 cm) apart",
                 ("in", "cm"))  # fmt: skip
ROW_SPACING = Usual("length", 0.05, 10.0, 0.15, 4.0, "rows stand 6 in to 13 ft (0.15 to 4 m) apart",
                    ("ft", "in", "cm"))  # fmt: skip
ROW_LENGTH = Usual("length", 0.05, 1500.0, 1.0, 200.0, "rows are 3 to 700 ft (1 to 200 m) long",
                   ("ft", "m"))  # fmt: skip
INSIDE = Usual("length", 0.004, 0.2, 0.01, 0.04, "tape is 5/8 to 1 3/8 in (16 to 35 mm) wide inside",
               ("in", "mm"))  # fmt: skip
WALL = Usual("length", 7e-5, 0.004, 1e-4, 7e-4, "tape walls are 5 to 25 mil (0.12 to 0.6 mm)",
             ("mil", "mm"))  # fmt: skip
TAPE_FLOW = Usual("tape flow", 0.003, 0.75, 0.01, 0.2,
                  "tape gives 0.1 to 1.5 gpm/100ft (0.8 to 11 L/h/m)",
                  ("gpm/100ft", "L/h/m"))  # fmt: skip
SUPPLY_FLOW = Usual("flow", 0.2, 20000.0, 2.0, 500.0, "hoses and wells give 0.5 to 100 gpm (2 to 400 L/min)",
                    ("gpm", "L/min"))  # fmt: skip
FILLING = Usual("duration", 1 / 60, 30.0, 0.05, 10.0, "a bucket fills in seconds or a few minutes",
                ("s",))  # fmt: skip


def pressure_of(most_kpa: float) -> Usual:
    """Of what reaches tape that stands no more than `most_kpa` for certain."""
    words = "thin tape works at 4 to 20 psi (30 to 140 kPa), behind a regulator"
    return Usual("pressure", 3.0, most_kpa, 27.0, 175.0, words, ("kPa", "psi"))


def check_plausible(sheet: Sheet, garden: GardenBlock) -> None:
    """Complains about each figure that cannot be, with the unit that may have been meant."""
    most_kpa = min((_stands(tape) for tape in garden.tapes.values()), default=DRIPLINE_KPA)
    _check_supply(sheet, garden.supply, most_kpa)
    for tape in garden.tapes.values():
        _check_tape(sheet, tape)
    for zone in garden.zones.values():
        for rows in (zone.rows, *(planting.rows for planting in zone.plantings or ())):
            _check_rows(sheet, rows)


def _check_supply(sheet: Sheet, supply: SupplyBlock, most_kpa: float) -> None:
    if not supply.at:
        return  # a stand-in
    _look(sheet, supply.at, "pressure", supply.pressure, pressure_of(most_kpa))
    _look(sheet, supply.at, "flow", supply.flow, SUPPLY_FLOW)
    if supply.bucket:
        _look(sheet, supply.bucket.at, "time", supply.bucket.time, FILLING)


def _check_tape(sheet: Sheet, tape: TapeBlock) -> None:
    _look(sheet, tape.at, "flow", tape.flow, TAPE_FLOW)
    _look(sheet, tape.at, "rated_at", tape.rated_at, pressure_of(_stands(tape)))
    _look(sheet, tape.at, "pressure_limit", tape.pressure_limit, pressure_of(DRIPLINE_KPA))
    _look(sheet, tape.at, "emitter_spacing", tape.emitter_spacing, EMITTERS)
    _look(sheet, tape.at, "inside_diameter", tape.inside_diameter, INSIDE)
    _look(sheet, tape.at, "wall", tape.wall, WALL)


def _check_rows(sheet: Sheet, rows: RowsBlock | None) -> None:
    if rows is not None:
        _look(sheet, rows.at, "spacing", rows.spacing, ROW_SPACING)
        _look(sheet, rows.at, "length", rows.length, ROW_LENGTH)


def _stands(tape: TapeBlock) -> float:
    """kPa that the tape may stand: a dripline, by its wall or its pressure compensation, stands more."""
    heavy = tape.exponent < 0.2 or (tape.wall is not None and tape.wall >= DRIPLINE_WALL_M)
    return DRIPLINE_KPA if heavy else THIN_TAPE_KPA


def _look(sheet: Sheet, at: At, key: str, value: float | None, usual: Usual) -> None:
    if value is None:
        return
    node = sheet.keys_at(at).get(key)
    text = usual.complaint(value, str(node.value) if node is not None else None)
    if text:
        sheet.complain((*at, key), text)
