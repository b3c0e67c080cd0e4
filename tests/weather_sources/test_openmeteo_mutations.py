"""Whatever happens to an answer on its way, parse gives weather or an error of ours: nothing else."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.errors import BadInput, CouldNot, RowwaterError
from scheduler.model import WEATHER_FIELDS, Location
from scheduler.weather.openmeteo import service as openmeteo

SAMPLES = Path(__file__).parent.parent / "weather" / "samples"
PLACE = Location(34.5, -81.5, 152, "America/New_York")
DAYS = st.sampled_from([date(2026, 6, 12), date(2026, 10, 31)])  # inside the summer, the autumn samples


def shortened(name: str, hours: int) -> dict[str, Any]:
    """A sample with fewer hours, so that a change hits more often what matters."""
    answer: dict[str, Any] = json.loads((SAMPLES / name).read_text(encoding="utf-8"))
    if hours:
        answer["hourly"] = {key: values[:hours] for key, values in answer["hourly"].items()}
    else:
        answer.pop("hourly", None)
    return answer


ANSWERS = [
    shortened("openmeteo_forecast_good.json", 50),
    shortened("openmeteo_forecast_us_units.json", 50),
    shortened("openmeteo_forecast_dst_autumn_unixtime.json", 72),
    shortened("openmeteo_forecast_daily_default_kmh.json", 0),
]
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["2026-06-12", "2026-06-12T03:00", "unixtime", "°F", "mm", -9999, 10**400, 1e308, ""])
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
)


@st.composite
def spoiled(draw: st.DrawFn, whole: Any) -> Any:
    """Values taken out, doubled, replaced by anything, in up to four places."""
    answer = json.loads(json.dumps(whole))
    for _ in range(draw(st.integers(0, 4))):
        spot: Any = answer
        while True:
            keys = list(spot) if isinstance(spot, dict) else list(range(len(spot)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(spot[key], dict | list) and draw(st.integers(0, 5)):
                spot = spot[key]
                continue
            match draw(st.integers(0, 3)):
                case 0:
                    del spot[key]
                case 1 if isinstance(spot, list):
                    spot.insert(key, spot[draw(st.sampled_from(keys))])
                case _:
                    spot[key] = draw(ANYTHING)
            break
    return answer


@st.composite
def mutated(draw: st.DrawFn) -> str:
    return json.dumps(draw(spoiled(draw(st.sampled_from(ANSWERS)))))


@st.composite
def scratched(draw: st.DrawFn) -> str:
    text = json.dumps(draw(st.sampled_from(ANSWERS)))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(st.text(max_size=3)) + text[at + draw(st.integers(0, 3)) :]
    return text[: draw(st.integers(0, len(text)))] if draw(st.booleans()) else text


def check(text: str, today: date) -> None:
    now = datetime(today.year, today.month, today.day, 14, 10, tzinfo=UTC)
    problem: RowwaterError | None = None
    try:
        answer = openmeteo.parse(text, location=PLACE, today=today, now=now)
    except (CouldNot, BadInput) as caught:
        problem = caught
    if problem is not None:
        assert problem.text
        assert problem.text.isprintable()
        return
    assert answer.values
    assert all(math.isfinite(v.value) for v in answer.values)
    assert {v.field for v in answer.values} <= {*WEATHER_FIELDS, "rain_so_far_mm"}
    keys = [(v.day, v.field) for v in answer.values]
    assert len(keys) == len(set(keys))
    assert all(notice.isprintable() for notice in answer.notices)


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated(), DAYS)
def test_changed_values_never_surprise(text: str, today: date) -> None:
    check(text, today)


@settings(max_examples=150, deadline=None)
@given(scratched(), DAYS)
def test_scratched_text_never_surprises(text: str, today: date) -> None:
    check(text, today)


@settings(max_examples=100, deadline=None)
@given(st.text() | ANYTHING.map(json.dumps))
def test_any_text_never_surprises(text: str) -> None:
    check(text, date(2026, 6, 12))


@pytest.mark.parametrize("answer", ANSWERS)
def test_the_unchanged_ones_are_read(answer: dict[str, Any]) -> None:
    """Else the three above could pass on refusals alone."""
    autumn = answer.get("hourly_units", {}).get("time") == "unixtime"
    today = date(2026, 10, 31) if autumn else date(2026, 6, 12)
    now = datetime(today.year, today.month, today.day, 14, 10, tzinfo=UTC)
    assert openmeteo.parse(json.dumps(answer), location=PLACE, today=today, now=now).values
