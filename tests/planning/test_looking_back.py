"""Looking back on a season: the fixed timer by hand, which change would have carried it, what is advised."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta
from pathlib import Path

import numpy as np
import pytest
from core import gardens as g

from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.terms import terms
from scheduler.garden.file import load
from scheduler.model import Hours, Supply, WateringDays
from scheduler.pages.report_advice import clogging, tapes
from scheduler.pages.report_water import spells
from scheduler.pages.season import season_page
from scheduler.planning.foresight import simulate_ahead
from scheduler.planning.season_changes import season_changes
from scheduler.planning.timer import timer_liters
from scheduler.weather.files import daily as daily_file

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
DAYS = 21
FIRST, LAST = date(2015, 6, 1), date(2015, 7, 15)


@pytest.mark.parametrize(("allowed", "days_of_week"), [(None, 7), (frozenset({0, 2, 4}), 3)])
def test_the_timer_by_hand(allowed: frozenset[int] | None, days_of_week: int) -> None:
    """Three weeks at a Kc of 0.5 where 0.60 of each 0.75 m is wetted: Kc 0.4 (FAO-56 eq 60), Kc ET0 (eq 58).
    The last week has 8 mm of ET0 a day: 3.2 mm, over 4 rows of 20 m, 60 m2, at the uniformity of 0.90 of a
    tape that was not worked out (common practice, no source)."""
    crop = replace(g.BEANS, stage_days=(60, 1, 1, 1), kc_ini=0.5)
    bed = g.zone(g.planting(crop))
    supply = Supply(30.0, days=WateringDays("weekdays", allowed) if allowed else WateringDays())
    et0 = np.array([2.0] * 14 + [8.0] * 7)
    laid_out = terms((bed,), g.FIRST, et0, np.zeros(DAYS), location=g.HERE, supply=supply)
    balance = run(laid_out, starting_deficit=np.zeros(1), rule=RefillRule.of((bed,)))
    found = timer_liters(laid_out, balance, supply, slice(0, DAYS))[:, 0]
    on = [(g.FIRST + timedelta(days=d)).weekday() in (allowed or range(7)) for d in range(DAYS)]
    assert found[~np.array(on)].tolist() == [0.0] * (DAYS - sum(on))
    each = 3.2 * 7 / days_of_week * 60 / 0.90
    assert found[np.array(on)] == pytest.approx(np.full(sum(on), each))


def test_what_waits_for_days_is_counted_once() -> None:
    days = [date(2026, 7, d) for d in range(1, 9)]
    waits = {days[1]: 5.0, days[2]: 8.0, days[5]: 3.0, days[7]: 1.0}
    assert list(spells(days, waits)) == [[days[1], days[2]], [days[5]], [days[7]]]
    assert list(spells(days, {})) == []
    assert list(spells([days[0], days[2], days[4]], waits)) == [[days[2]]]


def test_a_season_with_water_enough_asks_for_no_change() -> None:
    garden, weather = load(CREEKSIDE / "garden.yaml"), daily_file.read(CREEKSIDE / "weather.csv")
    ample = replace(garden, supply=replace(garden.supply, flow_lpm=500.0, hours=(Hours(time(0), time(23)),)))
    assert season_changes(ample, weather, FIRST, LAST) == []


def test_which_change_would_have_carried_a_short_season() -> None:
    """On the Creekside plot within two hours on odd days: more water leaves no more stress, what mends it is
    first, and the figures are those of a season planned with that change alone."""
    garden, weather = load(CREEKSIDE / "garden.yaml"), daily_file.read(CREEKSIDE / "weather.csv")
    supply = replace(garden.supply, hours=(Hours(time(4), time(6)),), days=WateringDays("odd"))
    found = season_changes(replace(garden, supply=supply), weather, FIRST, LAST)
    assert {one.change for one in found} == {"longer hours", "every day", "more flow"}
    assert all(0 <= one.after <= one.before for one in found)
    assert found[0].before > 10
    more = next(one for one in found if one.change == "every day")
    alone = simulate_ahead(
        replace(garden, supply=replace(supply, days=WateringDays())), weather, "none", first=FIRST, last=LAST
    )
    assert more.after == sum(zone["stress_days"] for zone in season_page(garden, alone)["zones"].values())
    assert [one.enough for one in found] == sorted((one.enough for one in found), reverse=True)
    assert [one.after for one in found if not one.enough] == sorted(o.after for o in found if not o.enough)


def test_clogging_is_told_from_a_tenth_on() -> None:
    def month(name: str, share: float, zone: str = "beans") -> dict:  # type: ignore[type-arg]
        return {"month": name, "zone": zone, "runs": 9, "metered_l": 1000 * share, "expected_l": 1000.0}

    steady = [month("2026-06", 1.0), month("2026-07", 0.93), month("2026-08", 0.91)]
    assert list(clogging(steady)) == []  # type: ignore[arg-type]  # typed dicts of a test
    assert list(clogging([month("2026-06", 0.7)])) == []  # type: ignore[arg-type]
    (told,) = clogging([*steady, month("2026-09", 0.88), month("2026-09", 1.0, "squash")])  # type: ignore[arg-type]
    assert "beans" in told["text"]
    assert told["rests_on"] == "metered flow 100% of the expected in 2026-06, 88% in 2026-09"


def test_tape_is_told_by_repairs_or_by_crops() -> None:
    def zone(repairs: int, crops: int | None, lasts: float | None, **rows: int) -> dict:  # type: ignore[type-arg]
        by_row = {name.removeprefix("row_"): count for name, count in rows.items()}
        return {"repairs": repairs, "row_repairs": by_row, "tape_crops": crops, "tape_lasts": lasts}

    zones = {
        "new": zone(0, 1, 2.0),
        "old": zone(0, 2, 2.0),
        "cut": zone(3, 1, 4.0),
        "unknown": zone(2, None, 2.0),
        "gnawed": zone(5, 1, 4.0, row_2=4),
        "everywhere": zone(7, 1, 4.0, row_1=3, row_2=3),
    }
    told = list(tapes(zones))  # type: ignore[arg-type]  # of the fields that count here
    assert [one["rests_on"] for one in told] == [
        "2 crops on a tape that lasts 2", "3 repairs noted", "5 repairs noted", "7 repairs noted",
    ]  # fmt: skip
    assert [one["text"].split(" rather")[0] for one in told[1:]] == [
        "Lay new tape in cut", "Lay new tape in row 2 of gnawed", "Lay new tape in everywhere",
    ]  # fmt: skip
