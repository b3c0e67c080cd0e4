"""What the hydraulics of a zone come to, and what a grower should be told about it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from scheduler.model import Rows, Supply, Tape

RemarkKind = Literal[
    "regulator", "supply", "line end", "line velocity", "no emitter", "dry emitters", "pressure limit",
    "no steady state", "friction", "tape velocity",
]  # fmt: skip
"""What a remark is about; program code goes by this, never by the words."""
VariationClass = Literal["good", "acceptable", "not acceptable"]

FASTEST_M_S = 1.524
"""5 ft/s: above it pipes of a drip system are taken to be too narrow (common practice, no source)."""
MOST_FRICTION = 0.75
"""Share of the inlet pressure; the method was measured against EPANET up to here."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What a grower should know of a zone's layout, and what would mend it."""

    kind: RemarkKind
    level: Literal["look", "problem"]
    text: str  # with places for `numbers`
    mend: str
    numbers: tuple[float, ...] = ()  # SI


@dataclass(frozen=True, slots=True)
class RowHydraulics:
    """Pressures, flows and losses of one row while its zone runs alone, in a steady state."""

    row: int  # from 1
    tape_m: float  # all tapes of the row
    inlet_kpa: float  # at the take-off, before its minor loss
    far_kpa: float  # at the last emitter
    lowest_kpa: float  # of any emitter: on a falling row the lowest may lie inside
    highest_kpa: float
    along_kpa: tuple[float, ...]  # at equal steps from the inlet to the last emitter
    flow_lpm: float  # all tapes of the row
    emitter_min_lph: float
    emitter_max_lph: float
    velocity_m_s: float  # where the water enters a tape
    friction_kpa: float  # lost from the feed to the last emitter
    dry_emitters: int  # with no pressure


@dataclass(frozen=True, slots=True)
class ZoneHydraulics:
    """Pressures, flows and uniformity of a zone running alone, row by row, and what is wrong with it."""

    inlet_kpa: float  # what the regulator holds at the feed, or at the row inlets where there is no line
    lowest_kpa: float  # of any emitter
    highest_kpa: float
    flow_lpm: float
    emitters: int
    emitter_min_lph: float
    emitter_mean_lph: float
    emitter_max_lph: float
    uniformity: float  # (1 - 1.27 Cv) x lowest / mean emitter flow, Cv the manufacturing variation
    flow_variation: float  # (highest - lowest) / highest emitter flow
    line_velocity_m_s: float  # the highest in the supply line; 0 where there is none
    converged: bool
    rows: tuple[RowHydraulics, ...]
    remarks: tuple[Remark, ...] = ()
    as_supplied: ZoneHydraulics | None = None
    """Where the rows ask for more than the supply gives: the state they really settle in."""

    @property
    def flow_variation_class(self) -> VariationClass:
        """What `flow_variation` counts as; see the function of this name."""
        return flow_variation_class(self.flow_variation)


def flow_variation_class(flow_variation: float) -> VariationClass:
    """Up to 10 % good, to 20 % acceptable (drip design practice, Keller and Karmeli 1975; from memory).

    >>> [flow_variation_class(share) for share in (0.10, 0.20, 0.21)]
    ['good', 'acceptable', 'not acceptable']
    """
    if flow_variation <= 0.10:
        return "good"
    return "acceptable" if flow_variation <= 0.20 else "not acceptable"


def uniformity(lowest_flow: float, mean_flow: float, variation: float) -> float:
    """Design emission uniformity, share: (1 - 1.27 Cv) q_min / q_mean, one emitter per plant.

    Source: Keller and Karmeli 1974, Trans. ASAE 17, p. 678 (also ASAE EP405.1; both from memory).

    >>> round(uniformity(0.95, 1.0, 0.05), 6)
    0.889675
    """
    return max(1 - 1.27 * variation, 0.0) * lowest_flow / mean_flow if mean_flow > 0 else 0.0


def remarks(zone: ZoneHydraulics, rows: Rows, tape: Tape, supply: Supply) -> tuple[Remark, ...]:
    """All that is wrong with a layout, or outside what the method has been measured for, in words."""
    return (
        *_of_supply(zone, supply),
        *_of_line(zone, rows, supply),
        *_of_pressure(zone, tape),
        *_of_friction(zone),
    )


def _of_supply(zone: ZoneHydraulics, supply: Supply) -> Iterator[Remark]:
    if (
        supply.pressure_kpa is not None
        and supply.static_pressure_kpa is not None
        and supply.static_pressure_kpa < supply.pressure_kpa
    ):
        yield Remark(
            "regulator",
            "look",
            "the pressure before the regulator is below its setting, and a regulator never raises pressure: "
            "worked out with the pressure there is",
            "fit a regulator of a lower setting; leave changes to a mains supply to a licensed plumber",
        )
    if zone.as_supplied is not None:
        yield Remark(
            "supply",
            "problem",
            f"the rows ask for {zone.flow_lpm / supply.flow_lpm:.0%} of the supply's flow; the pressure at "
            f"the feed would fall to {zone.as_supplied.inlet_kpa / zone.inlet_kpa:.0%} of what it should be",
            "water fewer rows at once, on valves of their own, or lay tape of a lower flow",
        )


def _of_line(zone: ZoneHydraulics, rows: Rows, supply: Supply) -> Iterator[Remark]:
    line = supply.mainline
    if line is None:
        return
    if line.feed == "middle":
        reach, room = ((rows.count + 1) // 2 - 0.5) * rows.spacing_m, line.length_m / 2
    else:
        reach, room = rows.count * rows.spacing_m, line.length_m
    if reach > room * (1 + 1e-6):
        yield Remark(
            "line end",
            "problem",
            "the last row stands beyond the end of the supply line",
            "check the number of rows, their spacing and the length of the supply line",
        )
    if zone.line_velocity_m_s > FASTEST_M_S:
        yield Remark(
            "line velocity",
            "look",
            "water runs at {:speed} in the supply line, above {:speed}",
            "feed the line in its middle, use a wider one, or water fewer rows at once",
            (zone.line_velocity_m_s, FASTEST_M_S),
        )


def _of_pressure(zone: ZoneHydraulics, tape: Tape) -> Iterator[Remark]:
    if not zone.emitters:
        yield Remark(
            "no emitter",
            "problem",
            "the rows are shorter than the emitter spacing: they hold no emitter",
            "check the length of the rows and the spacing of the emitters",
        )
    dry = [row for row in zone.rows if row.dry_emitters]
    if dry:
        count = sum(row.dry_emitters for row in dry)
        yield Remark(
            "dry emitters",
            "problem",
            f"{count} of {zone.emitters} emitters get no pressure and give nothing ({_rows(dry)})",
            "feed the rows at their high end, or raise the pressure as far as the tape allows",
        )
    limit = tape.pressure_limit_kpa
    over = [row for row in zone.rows if limit is not None and max(row.inlet_kpa, row.highest_kpa) > limit]
    if limit is not None and over:
        most = max(max(row.inlet_kpa, row.highest_kpa) for row in over)
        yield Remark(
            "pressure limit",
            "problem",
            f"the pressure in the tape reaches {most / limit:.0%} of what it may hold ({_rows(over)})",
            "lower the regulator's setting, or feed falling rows in steps",
        )
    if not zone.converged:
        yield Remark(
            "no steady state",
            "problem",
            "no steady state was found: the pressure is used up on the way, do not trust these figures",
            "shorten the rows, or raise the pressure as far as the tape allows",
        )


def _of_friction(zone: ZoneHydraulics) -> Iterator[Remark]:
    rubbed = [row for row in zone.rows if row.friction_kpa > MOST_FRICTION * zone.inlet_kpa]
    if rubbed:
        yield Remark(
            "friction",
            "look",
            f"friction takes more than three quarters of the pressure ({_rows(rubbed)}): outside the range "
            "these figures were checked in",
            "shorten the rows, feed them in their middle, or use wider tape or supply line",
        )
    fast = [row for row in zone.rows if row.velocity_m_s > FASTEST_M_S]
    if fast:
        speed = max(row.velocity_m_s for row in fast)
        yield Remark(
            "tape velocity",
            "look",
            f"water runs at {{:speed}} in the tape, above {{:speed}} ({_rows(fast)})",
            "shorten the rows, feed them in their middle, or use wider tape",
            (speed, FASTEST_M_S),
        )


def _rows(rows: list[RowHydraulics]) -> str:
    """ "row 3", "rows 3 to 6" or "rows 3, 4, 9" and so on."""
    numbers = [row.row for row in rows]
    if len(numbers) == 1:
        return f"row {numbers[0]}"
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"rows {numbers[0]} to {numbers[-1]}"
    return "rows " + ", ".join(str(number) for number in numbers)
