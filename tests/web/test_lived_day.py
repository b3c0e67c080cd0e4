"""A day with a phone: paired at six, the morning, answers, a mistake, water by hand, the next morning."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from web.real import Creekside


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Creekside]:
    made = Creekside(tmp_path / "shed")
    yield made
    made.end()


def test_a_day(shed: Creekside) -> None:
    shed.planned()
    shed.start()
    shed.start_page()
    phone = shed.phone("water", "Ann")

    # the morning
    assert phone.status == 200
    assert "Creekside plot" in phone.body
    yesterday = (shed.day - timedelta(days=1)).isoformat()
    questions = shed.today()["unanswered"]
    assert questions
    zone = questions[0]["zone"]
    assert f'value="{yesterday} {zone}"' in phone.body or f'value="{yesterday}"' in phone.body

    # an answer: so much was given
    phone.send("/do/given", run=f"{yesterday} {zone}", how="minutes", minutes="40")
    assert f"{zone} {yesterday}: 40 min" in phone.told
    assert shed.rows(f"SELECT minutes FROM applied WHERE zone = '{zone}'") == [(40.0,)]

    # rain, sent twice by a wet thumb, and once more with another figure a little later: a correction
    sent = phone.form("/do/rain").fields | {"amount": "0.2", "unit": "in", "day": ""}
    phone.post("/do/rain", **sent)
    assert "0.2 in of rain" in phone.told
    phone.post("/do/rain", **sent)
    assert "sent twice" in phone.told
    phone.send("/do/rain", amount="0.3", unit="in", day="")
    assert "replaces 0.20 in" in phone.told
    rain = [
        json.loads(details)["mm"] for (details,) in shed.rows("SELECT details FROM notes WHERE kind = 'rain'")
    ]
    assert rain == [pytest.approx(0.2 * 25.4), pytest.approx(0.3 * 25.4)]

    # a mistyped one is refused in the command's words, and nothing is noted
    phone.send("/do/rain", amount="9 elephants", unit="", day="")
    assert "9 elephants" in phone.told
    assert len(shed.rows("SELECT id FROM notes WHERE kind = 'rain'")) == 2

    # water by hand: asked once more, with the cap
    phone.get("/confirm/water/tomatoes?minutes=5")
    assert "360" in phone.body or "6 h" in phone.body
    assert not shed.is_open("tomatoes")
    phone.send("/do/water", here="/")
    assert "tomatoes open until" in phone.told
    assert shed.is_open("tomatoes")
    shed.until(lambda: shed.today()["open_now"], 10, "today.json to show it")
    live = json.loads(phone.get("/live"))
    assert [one["zone"] for one in live["open"]] == ["tomatoes"]
    time.sleep(1.0)

    # stop: closed within two seconds of the thumb
    phone.get("/")
    asked = time.monotonic()
    phone.send("/do/stop-all")
    assert time.monotonic() - asked < 2.0
    assert not shed.is_open("tomatoes")
    assert "kept dry until tomorrow" in phone.told

    # who did it stands in the log of both
    assert re.search(
        r'phone 1 "Ann": do=water zone=tomatoes minutes=5.0 *: tomatoes open until', shed.page_log()
    )
    assert "phone Ann asks to stop" in shed.log()

    # a chore, and a zone kept dry
    phone.get("/")
    phone.send("/do/hold", zone="beans", until=(shed.day + timedelta(days=3)).isoformat())
    assert "beans kept dry until" in phone.told

    # the next morning says so
    shed.end()
    tomorrow = (shed.day + timedelta(days=1)).isoformat()
    assert shed.rowwater("day", "--date", tomorrow).returncode in (0, 3)
    morning = shed.rowwater("morning", "--all", "--date", tomorrow).stdout
    assert re.search(r"(?m)^Given .*tomatoes \d+ of \d+ min", morning)
    assert re.search(r"(?m)^  beans +on hold ", morning)
    tomatoes = shed.rows("SELECT outcome, minutes FROM applied WHERE zone = 'tomatoes' ORDER BY id")
    outcome, minutes = tomatoes[-1]
    assert outcome == "cut short"
    assert 0 < minutes < 1
