"""Who goes short where a weak well and two watering days a week do not reach: nobody is dropped."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from core.week_gardens import week

from scheduler.core.balance.crop import response_stage
from scheduler.core.balance.yields import ky_of_stages, share_lost
from scheduler.core.week.loss import loss_of, weights
from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import Week
from scheduler.errors import BadGarden
from scheduler.garden.crops import CropBook
from scheduler.garden.file import load_text
from scheduler.model import Garden, WeatherDays, YieldResponse
from scheduler.planning.day_rules import rules_from
from scheduler.planning.foresight import Dawn, Planner, simulate_ahead
from scheduler.planning.season import Season, simulate
from scheduler.planning.shortage import at_stake, third_of_a_run, worth_the_walk
from scheduler.weather.files import daily as daily_file

YEAR = 2015
SUMMER = date(YEAR, 7, 1), date(YEAR, 8, 31)
LONG_DAYS = 14

WEAK_WELL = """\
garden: Weak well
location: {{latitude: {latitude}, longitude: {longitude}, elevation: {elevation}, timezone: {timezone}}}
display: metric
crop_coefficient: single
supply:
  flow: {flow} L/min
  keep_back: 10%
  hours: {{from: "04:00", until: "08:40"}}
  days: [tue, sat]
tapes: {{thin: {{flow: 5 L/h/m}}}}
zones:
  squash:
    {{rows: {{count: 10, length: 30, spacing: 1.8}}, tape: thin, soil: loam, valve: {{gpio: 5}},
     plantings: [{{crop: summer squash, planted: 2015-05-10, hold_last_stage: true}}]}}
  tomatoes:
    {{rows: {{count: 6, length: 20, spacing: 1.5}}, tape: thin, soil: sandy loam, valve: {{gpio: 6}},
     plantings: [{{crop: tomato, planted: 2015-05-01, pulled: 2015-09-20}}]}}
  beans:
    {{rows: {{count: 6, length: 15, spacing: 0.75}}, tape: thin, soil: loam, valve: {{gpio: 13}},
     plantings: [{{crop: pole bean, planted: 2015-05-20, pulled: 2015-09-15, hold_last_stage: true}}]}}
  chard:
    {{rows: {{count: 5, length: 8, spacing: 0.5}}, tape: thin, soil: sandy loam, valve: {{gpio: 19}},
     plantings: [{{crop: chard, planted: 2015-05-01, hold_last_stage: true}}]}}
  herbs:
    {{rows: {{count: 2, length: 5, spacing: 0.5}}, tape: thin, soil: loam, valve: {{gpio: 26}},
     plantings: [{{crop: basil, planted: 2015-05-15, hold_last_stage: true}}]}}
"""


@pytest.fixture(scope="module")
def records() -> ModuleType:
    path = Path(__file__).parents[1] / "weather" / "records.py"
    spec = importlib.util.spec_from_file_location("weak_well_records", path)
    assert spec
    assert spec.loader
    found = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = found
    spec.loader.exec_module(found)
    return found


def garden(records: ModuleType, flow: float = 40.0, **edits: str) -> Garden:
    site = records.site("fallon")
    text = WEAK_WELL.format(
        latitude=site.latitude_deg, longitude=site.longitude_deg, elevation=site.elevation_m,
        timezone=site.timezone, flow=flow,
    )  # fmt: skip
    for zone, more in edits.items():
        text = text.replace(f"  {zone}:\n    {{", f"  {zone}:\n    {{{more}, ")
    return load_text(text)


@pytest.fixture(scope="module")
def weather(records: ModuleType) -> WeatherDays:
    """Fallon, Nevada, in the dry summer of 2015 (tests/weather/README.md)."""
    rows = records.daily_rows("fallon")
    lines = [",".join(rows[0]), *(",".join(row.values()) for row in rows)]
    return daily_file.read("\n".join(lines) + "\n", name="fallon")


def planner(dawn: Dawn) -> np.ndarray:
    """By plain steps; on the other days no water may run, and nothing needs planning."""
    if rules_from(dawn.garden.supply, dawn.today)[0].allowed:
        return Planner(solver=False)(dawn)
    return np.zeros(len(dawn.garden.zones))


def summer(season: Season) -> slice:
    return slice((SUMMER[0] - season.first).days, (SUMMER[1] - season.first).days + 1)


def lack_of(season: Season) -> np.ndarray:
    """(day, zone) 1 - Ks of July and August; nan where nothing stands."""
    lack = np.where(season.terms.standing, 1 - season.balance.ks, np.nan)
    return np.asarray(lack[summer(season)])


def lost(season: Season, plot: Garden) -> float:
    """Area x Ky of the stage x what stress costs, over July and August; the area's mean is 1."""
    days = summer(season)
    ky, weight = at_stake(plot.zones, season.terms, days, None)
    shaped = week(len(plot.zones), days.stop - days.start, ky=ky, weight=weight)
    return float(loss_of(np.nan_to_num(lack_of(season)), shaped).sum())


def left_out(season: Season) -> list[tuple[int, int]]:
    """(zone, day): without water for more than LONG_DAYS and stressed, while another has no stress."""
    lack, ran = lack_of(season), season.balance.minutes[summer(season)] > 0
    dry, found = np.zeros(lack.shape[1]), []
    for day, runs in enumerate(ran):
        dry = np.where(runs, 0, dry + 1)
        for z in np.flatnonzero((dry > LONG_DAYS) & (lack[day] > 0)).tolist():
            if (np.delete(lack[day], z) == 0).any():
                found.append((z, day))
    return found


def days_lost(season: Season) -> str:
    return ", ".join(f"{days:.0f}" for days in np.nansum(lack_of(season), axis=0))


@pytest.fixture(scope="module")
def by_steps(records: ModuleType, weather: WeatherDays) -> Season:
    return simulate_ahead(
        garden(records),
        weather,
        "perfect",
        decide=planner,
        first=date(YEAR, 6, 15),
        last=SUMMER[1],
    )


def test_the_supply_reaches_for_half(records: ModuleType, weather: WeatherDays):
    """What makes the garden a hard one: July asks for about twice what two mornings a week give."""
    free = simulate(garden(records), weather, date(YEAR, 6, 25), date(YEAR, 7, 31))
    flow = np.array([*(s.delivery.flow_lpm for s in free.terms.stands), 0.0])[free.terms.stand]
    asked = float((free.balance.minutes * flow)[6:].sum())
    given = 40 * 0.9 * 280 * 8  # L/min, minutes of a morning; eight watering days in that July
    assert 0.4 < given / asked < 0.6


def test_no_zone_is_left_out_while_another_is_comfortable(
    records: ModuleType, by_steps: Season, capsys: pytest.CaptureFixture[str]
):
    """Weighed by the season's Ky alone: stress days 52, 26, 2, 7, 4, the squash at Ks 0.01, 781 lost."""
    lack = lack_of(by_steps)
    with capsys.disabled():
        print(f"\nstress days by zone: {days_lost(by_steps)}; lost {lost(by_steps, garden(records)):.0f}")
    assert left_out(by_steps) == []
    assert lost(by_steps, garden(records)) < 400
    assert np.nanmax(np.nanmean(lack, axis=0)) < 0.70  # of no zone is more lost than that


def test_by_the_plain_rule_no_zone_is_left_out_either(records: ModuleType, weather: WeatherDays):
    """A well so weak that the squash alone takes nearly all its flow: before, it got nothing for 62 days."""
    plot = garden(records, flow=30.0)
    season = simulate_ahead(plot, weather, "none", first=date(YEAR, 5, 1), last=SUMMER[1])
    assert left_out(season) == []
    dry = np.nanmean(lack_of(season), axis=0)
    assert dry.max() < 0.75


@pytest.mark.parametrize("mode", ["perfect", "none"])
def test_a_zone_of_high_priority_suffers_less(records: ModuleType, weather: WeatherDays, mode: str):
    span = {"first": SUMMER[0], "last": date(YEAR, 7, 24) if mode == "perfect" else SUMMER[1]}
    decide = planner if mode == "perfect" else None
    found = [
        np.nansum(lack_of(simulate_ahead(plot, weather, mode, decide=decide, **span)), axis=0)  # type: ignore[arg-type]
        for plot in (garden(records), garden(records, tomatoes="priority: high", squash="priority: low"))
    ]
    assert found[1][1] < 0.9 * found[0][1]
    assert found[1][0] > found[0][0]


# --- the week ------------------------------------------------------------------------------------


def scarce() -> Week:
    """A large and a small zone of one crop, and hours that hardly reach for the large one."""
    area = np.array([900.0, 90.0])
    every_day = np.ones((7, 2), dtype=bool)
    return week(
        2, flow_lpm=area / 30, net_per_minute=0.06, usable_lpm=30.0, window=100.0, deficit=22.0, etc=6.0,
        weight=weights(np.tile(area, (7, 1)), np.ones(2), np.zeros(2), every_day),
    )  # fmt: skip


@pytest.mark.parametrize("solver", [True, False])
def test_large_and_small_zones_share_what_there_is(solver: bool):
    plan = plan_week(scarce(), solver=solver)
    worst = plan.outcome.ks.min(axis=0)
    assert plan.score.stress_days > 0.5
    assert worst.min() > 1 / 3  # nobody near wilting
    assert (plan.minutes.sum(axis=0) > 0).all()


@pytest.mark.parametrize("solver", [True, False])
def test_a_crop_near_wilting_comes_before_comfort(solver: bool):
    """The bean at its least sensitive stage wilts; the corn in flower only lacks comfort."""
    both = week(
        2,
        days=3,
        usable_lpm=10.0,
        window=[60.0, 0, 0],
        deficit=[36.0, 21.0],
        etc=4.0,
        ky=np.array([0.2, 1.5]),
    )
    plan = plan_week(both, solver=solver)
    assert plan.minutes[0, 0] > 40


def test_two_weeks_of_stress_count_in_the_next_plan():
    """One day of water for one of two like zones: it goes to the one that suffered."""
    even = week(2, days=2, usable_lpm=10.0, window=[60.0, 0], deficit=22.0, etc=4.0)
    plan = plan_week(replace(even, weight=np.array([[1.0, 1.5]] * 2)))
    assert plan.minutes[0, 1] > plan.minutes[0, 0]


# --- yield ---------------------------------------------------------------------------------------


def test_ky_follows_the_stage():
    """FAO-33 maize: 0.4 vegetative, 1.5 at flowering, 0.5 in yield formation, 0.2 ripening (from memory)."""
    corn = CropBook(None, "us").crop("sweet corn").yield_response
    days = np.array([5, 30, 50, 70, 90])  # 20, 25, 25, 10: initial, development, mid-season, late
    stage = response_stage(days, np.cumsum([20.0, 25, 25, 10]))
    assert ky_of_stages(corn, stage).tolist() == [1.25, 0.4, 1.5, 0.5, 0.2]


def test_a_season_short_of_a_fifth_of_its_use_loses_ky_fifths():
    """FAO-33: 1 - Ya / Ym = Ky (1 - ETa / ETm); with ETa / ETm = 0.8 and Ky = 1.15: 23 %."""
    bean = YieldResponse(1.15)
    stage = response_stage(np.arange(1, 91), np.cumsum([20.0, 30, 30, 10]))
    assert share_lost(bean, np.full(90, 0.2), stage, (20, 30, 30, 10)) == pytest.approx(0.23)


# --- by hand -------------------------------------------------------------------------------------


def test_a_third_of_a_run():
    """Trigger 8 mm at 0.1 mm/min: 80 min, a third is 26.7."""
    one = week(2, fill=np.array([0.0, 4.0]))
    third = third_of_a_run(one, 1 / one.net_per_minute[0], one.trigger[0], np.array([360.0, 60.0]))
    assert third.tolist() == [27.0, 20.0]


def by_hand(records: ModuleType) -> Garden:
    plot = garden(records)
    hand = replace(plot.zones[0].valve, driver="by_hand")
    return replace(plot, zones=tuple(replace(zone, valve=hand) for zone in plot.zones[:2]))


def test_only_short_runs_by_hand_are_planned_anew(records: ModuleType):
    zones, one = by_hand(records).zones, week(2)
    assert worth_the_walk(zones, one, np.array([0.0, 30.0])) == ()
    longer, resting = worth_the_walk(zones, one, np.array([12.0, 30.0]))
    assert resting.held[0].tolist() == [True, False]
    assert longer.shortest.tolist() == [27.0, 5.0]
    assert worth_the_walk(garden(records).zones[:2], one, np.array([12.0, 30.0])) == ()  # a valve opens
    settling = replace(one, settle=np.full((7, 2), 15.0))
    assert worth_the_walk(zones, settling, np.array([15.0, 15.0])) == ()


def test_priority_in_the_file(records: ModuleType):
    plot = garden(records, tomatoes="priority: high")
    assert [zone.priority for zone in plot.zones] == ["normal", "high", "normal", "normal", "normal"]
    with pytest.raises(BadGarden, match=r'priority: .*did you mean "high"'):
        garden(records, tomatoes="priority: hihg")
