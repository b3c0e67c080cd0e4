"""The doubt of a deficit with evaporation kept apart: against drawn seasons; soil readings on the way."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from core import gardens

from scheduler.core.arrays import Mm
from scheduler.core.balance.et import ReferenceET, fill, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, run
from scheduler.core.balance.stored import stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.core.uncertainty.carry import Causes, State, carry
from scheduler.core.uncertainty.sources import Uncertainty
from scheduler.model import Crop, Rows, Supply, Zone

SITE = gardens.location_of("davis")
DAYS = gardens.recorded("davis")
FIRST, COUNT = date(DAYS.first.year, 5, 1), 70
KALE = Crop("kale", 0.7, 1.05, 0.95, (20, 30, 40, 20), 0.15, 0.5, 0.45, height_m=0.4)
LATE = Crop("late", 0.7, 1.05, 0.95, (10, 10, 60, 20), 0.30, 0.8, 0.45, height_m=0.4)


def zones(**planting: Any) -> tuple[Zone, ...]:
    return (
        gardens.zone(gardens.planting(KALE, FIRST, **planting), name="one", tape_depth_m=0.05),
        gardens.zone(gardens.planting(LATE, FIRST, **planting), name="other"),
    )


def laid(of: tuple[Zone, ...], et: ReferenceET, et0: Mm) -> Terms:
    at = (FIRST - et.first).days
    rain = np.nan_to_num(DAYS.rain_mm[at : at + COUNT])
    return terms(
        of, FIRST, et0, rain, location=SITE, supply=Supply(30.0), coefficient="dual",
        record=stored(DAYS, replace(et, et0_mm=et.et0_mm)),
    )  # fmt: skip


def walked(of: tuple[Zone, ...], terms: Terms, given: Mm | None = None) -> Balance:
    return run(
        terms, starting_deficit=np.full(len(of), np.nan), rule=RefillRule.of(of), given=given,
        decide_from=COUNT if given is not None else 0,
    )  # fmt: skip


def season(of: tuple[Zone, ...]) -> tuple[ReferenceET, Mm, Terms, Balance]:
    """The walk by the plain rule, its water then taken as given."""
    et = fill(reference_et(DAYS, SITE), FIRST, FIRST + timedelta(days=COUNT - 1))
    at = (FIRST - et.first).days
    et0 = et.et0_mm[at : at + COUNT]
    days = laid(of, et, et0)
    return et, et0, days, walked(of, days, walked(of, days).irrigation)


def causes(et0: Mm, lasting: float, passing: float, width: int) -> Causes:
    none, dry = np.zeros(COUNT), np.zeros((COUNT, width))
    nothing = Uncertainty(none, none, none)
    return Causes(
        et0, Uncertainty(lasting * et0, passing * et0, none), none, nothing, Uncertainty(dry, dry, none)
    )


@pytest.mark.parametrize(("lasting", "passing"), [(0.08, 0.0), (0.0, 0.2)])
def test_the_doubt_is_that_of_drawn_seasons(lasting: float, passing: float) -> None:
    """ET0 off by so much on every day, or anew each day; the same water given.

    In drawn seasons p and the drying of the layer follow the drawn ET0; the doubt leaves that out.
    """
    of = zones()
    et, et0, days, balance = season(of)
    stated = carry(days, balance, causes(et0, lasting, passing, 2), today=COUNT - 1, start_share=0)
    rng = np.random.default_rng(3)
    ends = []
    for _ in range(30):
        drawn = et0 * np.maximum(1 + lasting * rng.normal() + passing * rng.normal(size=COUNT), 0.05)
        ends.append(walked(of, laid(of, et, drawn), balance.irrigation).deficit_start)
    off = np.array(ends) - balance.deficit_start
    spread = np.sqrt((off**2).mean(axis=0))
    told = spread[10:].mean(axis=0), stated.sd_start[10:].mean(axis=0)
    np.testing.assert_allclose(told[1], told[0], rtol=0.25)


def test_the_stated_balance_is_left_as_it_is() -> None:
    of = zones()
    _, et0, days, balance = season(of)
    stated = carry(days, balance, causes(et0, 0.0, 0.0, 2), today=COUNT - 1, start_share=0)
    assert stated.balance is balance
    np.testing.assert_allclose(stated.shift, 0.0, atol=1e-9)  # what it steps is what was walked


class Once:
    """One reading that says a zone is so dry on one morning."""

    zones = np.array([0])

    def __init__(self, day: int, deficit: float) -> None:
        self.day, self.deficit = day, deficit

    def correct(self, day: int, *, evening: bool, deficit: Mm, state: State) -> Mm:
        if day != self.day or evening:
            return deficit
        deficit = deficit.copy()
        deficit[0] = self.deficit
        return deficit


def test_a_reading_corrects_the_root_zone_and_not_the_surface() -> None:
    of = zones()
    _, et0, days, balance = season(of)
    told = carry(days, balance, causes(et0, 0.05, 0.1, 2), today=COUNT - 1, readings=Once(30, 12.0)).balance
    assert balance.apart is not None
    assert told.apart is not None
    assert told.deficit_start[30, 0] == 12.0
    assert told.deficit_start[30, 0] != balance.deficit_start[30, 0]
    np.testing.assert_array_equal(told.apart.surface, balance.apart.surface)
    np.testing.assert_array_equal(told.deficit_end[:, 1], balance.deficit_end[:, 1])
    change = told.deficit_end - told.deficit_start
    in_and_out = told.eta + told.percolation - told.irrigation - days.rain_eff
    np.testing.assert_allclose(change[days.standing], in_and_out[days.standing], atol=1e-9)
    np.testing.assert_allclose(told.apart.evaporation + told.apart.use, told.eta, atol=1e-9)


def test_a_new_planting_takes_over_what_a_reading_said_of_its_own_tape() -> None:
    """On the old tape the strip keeps its deficit, on other rows it starts from the row middle's."""
    later = FIRST + timedelta(days=40)
    wide = Rows(4, 20.0, 1.5)
    for rows, kept in ((Rows(4, 20.0, 0.75), True), (wide, False)):
        first = gardens.planting(KALE, FIRST, pulled=later)
        second = gardens.planting(KALE, later, rows=rows)
        of = (gardens.zone(first, second, name="one"),)
        _, et0, days, balance = season(of)
        told = carry(
            days, balance, causes(et0, 0.05, 0.1, 1), today=COUNT - 1, readings=Once(39, 18.0)
        ).balance
        before = told.deficit_end[39, 0]
        assert before > balance.deficit_end[39, 0]
        if kept:
            assert told.deficit_start[40, 0] == pytest.approx(min(before, days.taw[40, 0]))
        else:
            assert told.deficit_start[40, 0] == balance.deficit_start[40, 0]
