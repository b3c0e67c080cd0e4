"""The report's line of the meter against the log."""

from __future__ import annotations

from typing import Any

import html5lib
from screens.looked_at import said

from scheduler.html.report import report_html
from scheduler.pages.report_water import meter_total
from scheduler.shapes.report import FlowMonth

FLOW: list[FlowMonth] = [
    {"month": "2015-06", "zone": "beans", "runs": 4, "metered_l": 378.5, "expected_l": 400.0},
    {"month": "2015-07", "zone": "beans", "runs": 6, "metered_l": 567.8, "expected_l": 600.0},
]


def test_metered_runs_are_summed_beside_all_of_the_log() -> None:
    assert meter_total(FLOW, 1892.7) == {
        "runs": 10, "metered_l": 946.3, "expected_l": 1000.0, "given_l": 1892.7,
    }  # fmt: skip


def test_the_report_says_what_the_meter_saw(shown: Any) -> None:
    """946.3 L are 250 US gal, 1000 L 264, 1892.7 L 500 (NIST SP 811: 3.785412 L)."""
    assert "Meter against log" not in words(shown["report"])  # no meter there
    metered = {**shown["report"], "flow": FLOW, "meter": meter_total(FLOW, 1892.7)}
    told = words(metered)
    assert "in 10 runs the meter saw 250 gal, minutes times flow make 264 gal of them (95%)" in told
    assert "It told 250 gal of the 500 gal in the log" in told


def words(page: Any) -> str:
    return said(html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(report_html(page)))
