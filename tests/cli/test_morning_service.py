"""What the running service lays over the morning summary: open valves, and a bad edit before all else."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import click

from scheduler.cli.text.morning import morning_text
from scheduler.phrases.morning import FIRST
from scheduler.service import notices as notices_module
from scheduler.service.page import laid_over

ZONE = ZoneInfo("America/New_York")
NOW = datetime(2026, 6, 12, 6, 30, tzinfo=ZONE)


def page(*notices: tuple[str, str, str], until: datetime | None = None) -> dict[str, Any]:
    said = [{"level": level, "text": text, "by": "service", "key": key} for key, level, text in notices]
    service = {
        "date": "2026-06-12", "made_at": NOW.isoformat(), "garden": "Creekside plot", "timezone": str(ZONE),
        "display": "us", "hours": ("04:00", "10:00"), "newest_s": None, "notices": said, "given": None,
        "open_now": [{"zone": "tomatoes", "until": until.isoformat()}] if until else [],
    }  # fmt: skip
    return laid_over(None, service)


def lines(shown: dict[str, Any], now: datetime | None = NOW) -> list[str]:
    return click.unstyle(morning_text(shown, today=date(2026, 6, 12), width=80, now=now)).splitlines()


def test_a_bad_edit_is_the_first_line_and_said_once() -> None:
    assert FIRST == notices_module.FIRST
    text = "garden.yaml:41: zones.tomatoes.rows.length: not a length: the version of 2026-06-11 is in use"
    shown = lines(page(("clock", "look", "the clock was set by +5 s"), ("garden", "problem", text)))
    assert "garden.yaml:41" in shown[0]
    assert "Creekside" in shown[2]
    assert sum("garden.yaml:41" in line for line in shown) == 1


def test_what_is_open_and_until_when() -> None:
    assert "Open now: tomatoes, until 07:15" in lines(page(until=NOW + timedelta(minutes=45)))
    assert not any("Open now" in line for line in lines(page()))


def test_an_opening_that_should_be_over_asks_whether_the_service_runs() -> None:
    said = " ".join(" ".join(lines(page(until=NOW - timedelta(minutes=30)))).split())
    assert "was to close at 06:00" in said
    assert "is it running?" in said
