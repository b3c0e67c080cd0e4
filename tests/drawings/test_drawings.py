"""Drawings against the numbers they were made of."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import date

import pytest

from scheduler.drawings.file import svg_for_paper, whole_svg
from scheduler.drawings.month import month
from scheduler.drawings.pressure import pressure
from scheduler.drawings.root_zone import root_zone
from scheduler.drawings.weather import forecasts
from scheduler.shapes.report import CurveDay
from scheduler.shapes.weather import SkillLine

SVG = "{http://www.w3.org/2000/svg}"
JULY = date(2026, 7, 1), date(2026, 7, 31)


def marks(drawn: str, kind: str) -> list[ET.Element]:
    return [one for one in ET.fromstring(drawn).iter() if kind in one.attrib.get("class", "").split()]


def said(drawn: str) -> str:
    return " ".join(one.text or "" for one in ET.fromstring(drawn).iter())


def test_a_month_stays_under_its_caps_or_is_seen_not_to() -> None:
    given = {date(2026, 7, 3): 300.0, date(2026, 7, 20): 500.0}
    drawn = month("m", given, "metric", first=JULY[0], last=JULY[1], daily_cap_l=400.0, monthly_cap_l=1000.0)
    _, *bars = marks(drawn, "water")  # the first is the legend's
    _, daily, monthly = (float(line.attrib["y1"]) for line in marks(drawn, "rim"))
    tops = [float(bar.attrib["y"]) for bar in bars]
    heights = [float(bar.attrib["height"]) for bar in bars]
    assert heights[1] / heights[0] == pytest.approx(500 / 300, rel=0.01)
    assert tops[0] > daily > tops[1]
    summed = marks(drawn, "sum")[-1].attrib["points"].split()
    assert len(summed) == 20
    assert float(summed[-1].split(",")[1]) > monthly
    assert "800 L given of 1,000 L that the month may take; a day may take 400 L." in said(drawn)


def test_without_caps_no_line_is_drawn() -> None:
    drawn = month("m", {}, "us", first=JULY[0], last=JULY[1])
    assert marks(drawn, "rim") == []
    assert "0.0 gal given." in said(drawn)


def skill(lead: int, off: float, field: str = "rain_mm") -> SkillLine:
    return {
        "source": "nws", "field": field, "lead_days": lead, "pairs": 9, "bias": 0.0, "mean_absolute": off,
        "root_mean_square": off, "against": {"gauge": 9},
    }  # fmt: skip


def test_forecasts_get_a_bar_for_each_day_ahead() -> None:
    drawn = forecasts("f", [skill(1, 2.54), skill(2, 5.08), skill(1, 1.0, "et0_mm")], "rain_mm", "us")
    one, two = (float(bar.attrib["height"]) for bar in marks(drawn, "water")[1:])
    assert two / one == pytest.approx(2, rel=0.01)
    assert "nws 1 days ahead 0.1 in; nws 2 days ahead 0.2 in" in said(drawn)
    assert forecasts("f", [], "rain_mm", "us") == ""


def day(text: str, deficit: float) -> CurveDay:
    return {
        "date": text, "deficit_mm": deficit, "deficit_sd_mm": 1.0, "trigger_mm": None, "raw_mm": 20.0,
        "taw_mm": 40.0, "rain_mm": 0.0, "net_mm": 0.0, "ks": 1.0,
    }  # fmt: skip


def test_two_crops_are_two_lines_and_what_never_is_has_no_legend() -> None:
    days = [day("2026-05-01", 4), day("2026-05-02", 8), day("2026-06-01", 2), day("2026-06-02", 6)]
    drawn = root_zone("z", "beans & peas", days, "metric")
    assert len(marks(drawn, "deficit")) == 1 + 2
    assert len(marks(drawn, "doubt")) == 1 + 2
    assert marks(drawn, "trigger") == []
    assert marks(drawn, "taw") == []
    assert "beans & peas: what the root zone lacked" in said(drawn)
    low, high = (float(pair.split(",")[1]) for pair in marks(drawn, "deficit")[1].attrib["points"].split())
    assert high > low  # drier is lower
    assert root_zone("z", "beans", [], "metric") == ""


def test_nothing_is_drawn_where_no_pressure_is_known() -> None:
    assert pressure("p", {}, "us") == ""


def test_a_file_of_its_own_carries_its_paint() -> None:
    drawn = root_zone("z", "beans", [day("2026-05-01", 4), day("2026-05-02", 8)], "metric")
    assert "prefers-color-scheme: dark" in whole_svg(drawn)
    assert "var(" not in svg_for_paper(drawn)
    for text in (whole_svg(drawn), svg_for_paper(drawn)):
        assert ET.fromstring(text)[0].tag == f"{SVG}style"
