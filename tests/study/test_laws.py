"""More water, or more time for it, never leaves the garden shorter: the plain rule within the supply."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from scheduler.core.arrays import Minutes, Share
from scheduler.garden.file import load_text
from scheduler.model import Garden
from scheduler.planning.foresight import Dawn, WithinSupply, simulate_ahead
from scheduler.planning.shortage import urgency
from scheduler.study.seasons import How, Piece, Record, run
from scheduler.study.years import in_years, season_of
from scheduler.weather.files import daily

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
RECORD = Record(daily.read(CREEKSIDE / "weather.csv"))
TEXT = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: metric
supply: {flow: FLOW, hours: {from: "04:00", until: "UNTIL"}, days: DAYS}
tapes: {thin: {flow: 0.08}}
zones:
"""
ZONE = """\
  zone NUMBER:
    rows: {count: 6, length: LENGTH, spacing: 0.9}
    tape: thin
    soil: SOIL
    refill_at: REFILL
    plantings:
      - {crop: CROP, planted: 2015-06-05, pulled: 2015-07-20, by: transplants}
    valve: {by_hand: true}
"""


@st.composite
def gardens(draw: st.DrawFn, zones: int = 3, refill_at: tuple[float, ...] = (0.3, 0.5, 0.8, 1.0)) -> str:
    """With FLOW, UNTIL and DAYS still open."""
    text = TEXT
    for number in range(draw(st.integers(1, zones))):
        values = {
            "NUMBER": str(number),
            "LENGTH": str(draw(st.integers(10, 60))),
            "SOIL": draw(st.sampled_from(["sand", "sandy loam", "loam", "clay loam"])),
            "REFILL": str(draw(st.sampled_from(refill_at))),
            "CROP": draw(st.sampled_from(["lettuce", "kale", "bush bean", "summer squash"])),
        }
        zone = ZONE
        for name, value in values.items():
            zone = zone.replace(name, value)
        text += zone
    return text


def outcome(text: str, year: int, flow: float, until: str = "07:00", days: str = "all"):
    garden = load_text(text.replace("FLOW", str(flow)).replace("UNTIL", until).replace("DAYS", days))
    (found,) = run(Piece((garden,), season_of(garden), year, How()), RECORD)
    return found


CASES = settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))


@CASES
@given(
    gardens(zones=1, refill_at=(0.3, 0.5)),
    st.integers(2012, 2015),
    st.sampled_from([8, 15, 25, 40]),
    st.booleans(),
)
def test_one_zone_is_never_shorter_with_more(text: str, year: int, flow: float, some_days: bool) -> None:
    """One coefficient, watered before it suffers: its litres short, and the days on which it gets less."""
    text = text.replace("display: metric", "display: metric\ncrop_coefficient: single")
    days = "[mon, thu]" if some_days else "all"
    less = outcome(text, year, flow, "05:30", days)
    for more in (outcome(text, year, 2 * flow, "05:30", days), outcome(text, year, flow, "07:00", days)):
        assert more.short_l <= less.short_l + 1e-6
        assert more.short_days <= less.short_days


class Compared:
    """Decides as the supply allows, and holds each morning against the same with more water, or more time."""

    def __init__(self, *more: Garden) -> None:
        self.more = more
        self.mornings = self.short = 0

    def __call__(self, dawn: Dawn) -> Minutes:
        wanted = dawn.by_rule.minutes
        given = WithinSupply()(dawn)
        if wanted.any():
            flow = np.array(
                [
                    dawn.terms.stands[k].delivery.flow_lpm if k >= 0 else 0.0
                    for k in dawn.terms.stand[dawn.day]
                ]
            )
            most = np.argmax(np.where(wanted > 0, self._urgency(dawn), -np.inf))
            left = (wanted - given) * flow
            self.mornings, self.short = self.mornings + 1, self.short + (left.sum() > 0)
            for garden in self.more:
                then = (wanted - WithinSupply()(replace(dawn, garden=garden))) * flow
                assert then.sum() <= left.sum() + 1e-6, (dawn.today, left, then)
                assert then[most] <= left[most] + 1e-6, (dawn.today, most, left, then)
        return given

    def _urgency(self, dawn: Dawn) -> Share:
        need = replace(dawn.need, minutes=dawn.by_rule.minutes)
        return urgency(dawn.garden.zones, need, dawn.terms.taw[dawn.day], dawn.suffered_days)


@CASES
@given(gardens(zones=5), st.integers(2012, 2015), st.sampled_from([8, 15, 25, 40]))
def test_a_morning_is_never_shorter_with_more(text: str, year: int, flow: float) -> None:
    """From the same soil: the litres that all zones go without, and those of the zone that is first.

    Of valves that open by themselves: without a miss in 18,436 random doublings.  Where a person opens them,
    a run of less than a third is left out, and in 2 of 11,650 the litres grew with it.
    """
    numbers = itertools.count(5)
    text = re.sub("by_hand: true", lambda _: f"gpio: {next(numbers)}", text)
    less, *more = (
        in_years(garden, year - season_of(garden).year)
        for garden in (
            load_text(text.replace("FLOW", str(many)).replace("UNTIL", until).replace("DAYS", "all"))
            for many, until in ((flow, "05:30"), (2 * flow, "05:30"), (flow, "07:00"))
        )
    )
    season, compared = season_of(less), Compared(*more)
    first, last = season.first, season.first + timedelta(days=24)
    simulate_ahead(less, RECORD.weather, "none", first=first, last=last, decide=compared)
    assert compared.mornings
    event("some mornings are short" if compared.short else "no morning is short")


@CASES
@given(gardens(), st.integers(2012, 2015), st.sampled_from([8, 15, 25, 40]))
def test_a_garden_is_hardly_ever_shorter_with_more(text: str, year: int, flow: float) -> None:
    """Of several zones the litres may grow by a trifle, held here to 1 % of the water given.

    Each morning by itself the law holds (above), but no morning looks at those to come.  With more water a
    zone is refilled on another morning, and may then lie a little above its trigger on the eve of a hot day:
    it waits, and goes past RAW (sand, 1.5 h doubled to 3 h: last night 4.0 mm with more, 7.8 with less, the
    trigger 4.6, RAW 9.1: watered with less, short of 0.03 L with more).  Days not reached, and the yield of
    single crops, shift between zones with it.  Where evaporation is apart, the
    same litres in more mornings also wet the surface more often.  A zone that waits for RAW (refill_at 1)
    fares better where short hours make it take little every morning.  Of 626 random doublings (refill_at up
    to 0.8) the litres grew in 4, by 2 to 103 L in a season; of 550 (up to 1) stress days, days not reached or
    the yield lost of some crop grew in 19.
    """
    less = outcome(text, year, flow, "05:30")
    for more in (outcome(text, year, 2 * flow, "05:30"), outcome(text, year, flow, "07:00")):
        assert more.short_l <= less.short_l + 0.01 * max(less.liters, more.liters)


def test_a_garden_that_gets_nothing_is_the_shortest() -> None:
    """The law above could fail: a supply below every zone's flow gives no water at all."""
    text = TEXT + ZONE.replace("NUMBER", "1").replace("LENGTH", "40").replace("SOIL", "loam").replace(
        "REFILL", "0.5"
    ).replace("CROP", "lettuce")  # fmt: skip
    none, some, much = (outcome(text, 2015, flow) for flow in (15, 20, 40))
    assert none.liters == 0
    assert none.short_l > some.short_l + 1000
    assert none.short_days > 0
    assert some.short_l == pytest.approx(much.short_l)
    assert np.isclose(much.short_share, 0, atol=0.02)
