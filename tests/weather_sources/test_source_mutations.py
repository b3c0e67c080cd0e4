"""Whatever happens to an answer of nws, to a message or a station's file: weather or an error of ours.

And never a silent zero, never a day or an hour counted twice: rain is held between bounds that a mutation
cannot honestly exceed, and fields whose every value was taken away must be missing.
"""

from __future__ import annotations

import json
import math
import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from weather_sources.test_nws import STATION, hourly, reports
from weather_sources.test_openmeteo_mutations import ANSWERS as OPEN_METEO
from weather_sources.test_openmeteo_mutations import ANYTHING, spoiled

from scheduler.errors import RowwaterError
from scheduler.model import WEATHER_FIELDS, Fetched, Location
from scheduler.weather.files import station as station_file
from scheduler.weather.mqtt import messages, readings
from scheduler.weather.mqtt import station as mqtt_station
from scheduler.weather.mqtt.readings import Message
from scheduler.weather.nws import service as nws
from scheduler.weather.openmeteo import service as openmeteo
from scheduler.weather.quantities import LIMITS

SAMPLES = Path(__file__).parent.parent / "weather" / "samples"
PLACE = Location(34.52, -81.46, 152, "America/New_York")
ZONE = ZoneInfo("America/New_York")
TODAY = date(2026, 6, 14)
NOW = datetime(2026, 6, 14, 7, 30, tzinfo=UTC)
MANY = int(os.environ.get("WEATHER_CASES", "150"))
CASES = settings(max_examples=MANY, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def shortened_grid() -> dict[str, Any]:
    answer: dict[str, Any] = json.loads((SAMPLES / "nws_gridpoint_good.json").read_text(encoding="utf-8"))
    answer["properties"]["updateTime"] = "2026-06-14T05:00:00+00:00"
    for layer in answer["properties"].values():
        if isinstance(layer, dict) and "values" in layer:
            layer["values"] = [
                v for v in layer["values"] if "2026-06-14T0" <= v["validTime"] < "2026-06-15T06"
            ]
    return answer


GRID = shortened_grid()
REPORTS = json.loads(reports(*hourly(datetime(2026, 6, 13, 3, 53, tzinfo=UTC), 28, rain=0.5)))
STEPS = [
    {"time": (datetime(2026, 6, 13, 3, 0, tzinfo=UTC) + timedelta(minutes=30 * i)).isoformat(),
     "t": 20 + i % 5, "mm": 0.25, "total": 100 + 0.25 * i, "s": "120.5"}
    for i in range(56)
]  # fmt: skip
FIELDS = {"time": "time", "temp_c": "t", "solar_w_m2": "s"}


@st.composite
def mutated(draw: st.DrawFn, whole: Any) -> Any:
    """Values taken out, doubled, replaced by anything, in up to four places."""
    return Mutant(draw(spoiled(whole)))


class Mutant:
    """Keeps a spoilt answer out of the reports of passing cases: they are long."""

    def __init__(self, body: Any) -> None:
        self.body = body

    def __repr__(self) -> str:
        text = json.dumps(self.body)
        return text if len(text) < 2000 else f"<spoilt answer of {len(text)} characters>"


@st.composite
def cut(draw: st.DrawFn, whole: Any) -> str:
    text = json.dumps(whole)
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(st.text(max_size=3)) + text[at + draw(st.integers(0, 3)) :]
    return text[: draw(st.integers(0, len(text)))] if draw(st.booleans()) else text


def tried(read: Any) -> Any:
    """What it gives; None where it refused, in words."""
    refused: RowwaterError | None = None
    try:
        return read()
    except RowwaterError as problem:
        refused = problem
    assert refused.text
    return None


def check(read: Any) -> Fetched | None:
    """Runs the reader; None where it refused, in words."""
    found = tried(read)
    if found is None:
        return None
    assert found.values
    for value in found.values:
        low, high = LIMITS[value.field]
        assert math.isfinite(value.value)
        assert low <= value.value <= high
        assert value.field in (*WEATHER_FIELDS, "rain_so_far_mm")
    keys = [(v.day, v.field, v.kind) for v in found.values]
    assert len(keys) == len(set(keys)), "a day counted twice"
    assert all(notice.isprintable() for notice in found.notices)
    return found


def one(found: Fetched | None, day: date, field: str) -> float | None:
    return next((v.value for v in (found.values if found else ()) if (v.day, v.field) == (day, field)), None)


def read_nws(grid: str | None, texts: list[str]) -> Fetched:
    answers = nws.Answers(grid, ("ZZZ", 12, 34), STATION if texts else None, texts)
    return nws.parse(answers, location=PLACE, today=TODAY, now=NOW, span_from=date(2026, 6, 6))


def read_messages(bodies: list[Any], **more: Any) -> Fetched:
    heard = [
        Message(min(datetime(2026, 6, 13, 3, 0, tzinfo=UTC) + timedelta(minutes=30 * i), NOW), "s",
                body if isinstance(body, str) else json.dumps(body))
        for i, body in enumerate(bodies)
    ]  # fmt: skip
    return mqtt_station.parse(
        heard, messages.plan(more), ZONE, today=TODAY, now=NOW, span_from=date(2026, 6, 6), source="mqtt s"
    )


# --- nws -------------------------------------------------------------------------------------------


@CASES
@given(mutated(GRID), mutated(REPORTS))
def test_nws_never_surprises(grid: Mutant, seen: Mutant) -> None:
    check(lambda: read_nws(json.dumps(grid.body), [json.dumps(seen.body)]))


@CASES
@given(cut(GRID), cut(REPORTS))
def test_nws_cut_and_scratched(grid: str, seen: str) -> None:
    check(lambda: read_nws(grid, [seen]))


@CASES
@given(st.text() | ANYTHING.map(json.dumps))
def test_nws_any_text(text: str) -> None:
    check(lambda: read_nws(text, [text]))
    for read in (nws.parse_point, lambda t: nws._near(t, PLACE)):
        tried(lambda read=read: read(text))


@CASES
@given(st.data())
def test_nws_hours_are_counted_once(data: st.DataObject) -> None:
    """Doubled, shuffled, thinned out: rain is that of 24 half millimetres, or it is missing."""
    features = list(REPORTS["features"])
    kept = data.draw(st.lists(st.sampled_from(range(len(features))), max_size=60))
    drop = data.draw(st.sets(st.sampled_from(range(len(features))), max_size=3))
    chosen = data.draw(st.permutations([f for i, f in enumerate(features) if i not in drop]))
    text = json.dumps({"features": [*chosen, *(features[i] for i in kept if i not in drop)]})
    found = check(lambda: read_nws(None, [text, text]))
    rain = one(found, date(2026, 6, 13), "rain_mm")
    inside = {i for i in drop if 1 <= i <= 24}  # label 0 ends the day before, 25 and later are today's
    assert rain == (None if inside else 12.0)


@CASES
@given(st.lists(st.integers(0, 11), max_size=12), st.permutations(range(6)))
def test_nws_sums_are_counted_once(again: list[int], order: list[int]) -> None:
    """Blocks sent twice, in any order: the water of the day stays the same."""
    begin = datetime(2026, 6, 14, 0, tzinfo=UTC)
    blocks = [
        {"validTime": f"{(begin + timedelta(hours=6 * i)).isoformat()}/PT6H", "value": 3.0} for i in range(6)
    ]
    answer = json.loads(json.dumps(GRID))
    answer["properties"]["quantitativePrecipitation"] = {
        "uom": "wmoUnit:mm", "values": [blocks[i] for i in order] + [blocks[i % 6] for i in again]
    }  # fmt: skip
    found = check(lambda: read_nws(json.dumps(answer), []))
    assert one(found, TODAY, "rain_mm") == pytest.approx(12.0)


@CASES
@given(st.sampled_from(["temperature", "dewpoint", "relativeHumidity", "windSpeed",
                        "quantitativePrecipitation"]),
       st.sampled_from([None, "12", -9999, True, [], 1e308, math.nan, math.inf]))  # fmt: skip
def test_nws_no_silent_zero(layer: str, junk: Any) -> None:
    fields = {
        "temperature": "tmin_c", "dewpoint": "tdew_c", "relativeHumidity": "rh_mean_pct",
        "windSpeed": "wind_m_s", "quantitativePrecipitation": "rain_mm",
    }  # fmt: skip
    answer = json.loads(json.dumps(GRID))
    for item in answer["properties"][layer]["values"]:
        item["value"] = junk
    found = check(lambda: read_nws(json.dumps(answer), []))
    assert found is not None
    assert not [v for v in found.values if v.field == fields[layer]]
    if junk is not None:
        assert any(layer in notice for notice in found.notices)


# --- messages --------------------------------------------------------------------------------------


@CASES
@given(mutated(STEPS), st.sampled_from(["rain_mm", "rain_total_mm", "rain_day_mm"]))
def test_messages_never_surprise(spoilt: Mutant, rain: str) -> None:
    bodies = spoilt.body
    fields = {**FIELDS, rain: "mm" if rain == "rain_mm" else "total"}
    if isinstance(bodies, list):
        check(lambda: read_messages(bodies, kind="readings", fields=fields))


@CASES
@given(st.lists(cut(STEPS[3]) | ANYTHING.map(json.dumps) | st.text(), max_size=6))
def test_messages_cut_and_scratched(texts: list[str]) -> None:
    check(lambda: read_messages([*texts, *STEPS], kind="readings", fields={**FIELDS, "rain_mm": "mm"}))
    check(lambda: read_messages(texts))


@CASES
@given(mutated([{"date": "2026-06-13", "tmax_c": 25.5, "rain_mm": "3.2", "wind_m_s": 2}]))
def test_daily_messages_never_surprise(spoilt: Mutant) -> None:
    bodies = spoilt.body
    if isinstance(bodies, list):
        text = [json.dumps(body) for body in bodies]
        late = [Message(NOW, "s", t) for t in text]
        check(lambda: mqtt_station.parse(
            late, messages.plan({}), ZONE, today=TODAY, now=NOW, span_from=date(2026, 6, 6), source="mqtt s"
        ))  # fmt: skip


@CASES
@given(st.data())
def test_messages_are_counted_once(data: st.DataObject) -> None:
    """Repeated and shuffled: 48 half hours of 0.25 mm, by steps; and by a counter in order."""
    again = data.draw(st.lists(st.sampled_from(STEPS), max_size=30))
    order = data.draw(st.permutations([*STEPS, *again]))
    found = check(lambda: read_messages(order[:90], kind="readings", fields={**FIELDS, "rain_mm": "mm"}))
    if len(order) <= 90:
        assert one(found, date(2026, 6, 13), "rain_mm") == pytest.approx(12.0)
    found = check(
        lambda: read_messages(order[:90], kind="readings", fields={**FIELDS, "rain_total_mm": "total"})
    )
    if len(order) <= 90:
        assert one(found, date(2026, 6, 13), "rain_mm") == pytest.approx(12.0)


@CASES
@given(
    st.lists(st.integers(1, 47), max_size=4, unique=True), st.lists(st.floats(0, 5), min_size=50, max_size=50)
)
def test_counter_with_restarts_loses_nothing_it_shows(resets: list[int], falls: list[float]) -> None:
    """A counter that restarts at 0: what it showed before and after adds up; never more than fell."""
    total, fell = 50.0, 0.0
    bodies = []
    for i in range(56):
        rise = falls[i] if 3 <= i < 50 else 0.0
        if i - 2 in resets:
            total = 0.0  # the battery is changed; the step's rain counts from there
        total += rise
        fell += rise
        bodies.append({**STEPS[i], "total": total})
    found = check(lambda: read_messages(bodies, kind="readings", fields={**FIELDS, "rain_total_mm": "total"}))
    rain = one(found, date(2026, 6, 13), "rain_mm")
    assert rain is not None
    assert rain <= fell + 1e-6
    if not resets:
        assert rain == pytest.approx(fell, abs=1e-6)


@CASES
@given(st.binary(max_size=300))
def test_journal_dirt_never_surprises(tmp_path_factory: pytest.TempPathFactory, dirt: bytes) -> None:
    path = tmp_path_factory.mktemp("journal") / "readings-x.jsonl"
    path.write_bytes(dirt + b"\n")
    readings.read(path, datetime(2000, 1, 1, tzinfo=UTC))
    readings.drop_old(path, NOW)


# --- station files ---------------------------------------------------------------------------------

QUARTERS = (SAMPLES / "station_15min_us_units.csv").read_text(encoding="utf-8")
MAP = {"columns": {"temp_f": "Outdoor Temperature (F)", "rain_day_in": "Daily Rain (in)"}}


@st.composite
def spoilt_file(draw: st.DrawFn) -> str:
    lines = QUARTERS.splitlines()
    for _ in range(draw(st.integers(0, 5))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.integers(0, 4)):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
            case 2:
                lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
            case _:
                cells = lines[at].split(",")
                spot = draw(st.integers(0, len(cells) - 1))
                cells[spot] = draw(
                    st.sampled_from(["nan", "1e308", "-9999", "NULL", "7,5", '"', "inf", "9" * 400])
                    | st.text(max_size=5)
                )
                lines[at] = ",".join(cells)
    return "\n".join(lines)[: draw(st.integers(0, 10**5))]


@CASES
@given(spoilt_file())
def test_station_files_never_surprise(text: str) -> None:
    now = datetime(2026, 6, 13, 23, 0, tzinfo=UTC)
    found = tried(lambda: station_file.read(text.encode(errors="replace"), MAP, zone=ZONE, now=now))
    for day, fields in found.days.items() if found is not None else ():
        assert day < date(2026, 6, 13), "today is not over"
        for field, value in fields.items():
            assert LIMITS[field][0] <= value <= LIMITS[field][1]


# --- open-meteo ------------------------------------------------------------------------------------


HOURLY = [{key: value for key, value in answer.items() if key != "daily"} for answer in OPEN_METEO[:3]]


@CASES
@given(st.sampled_from(HOURLY).flatmap(mutated), st.sampled_from(["rain_mm", "solar_mj_m2"]))
def test_open_meteo_sums_are_never_more_than_was_sent(spoilt: Mutant, field: str) -> None:
    """Nothing is counted twice, whatever is inserted, doubled or taken out."""
    answer = spoilt.body
    today = date(2026, 6, 13)
    now = datetime(2026, 6, 13, 14, 10, tzinfo=UTC)
    place = Location(34.5, -81.5, 152, "America/New_York")
    found = check(lambda: openmeteo.parse(json.dumps(answer), location=place, today=today, now=now))
    if found is None or not isinstance(answer, dict) or not isinstance(answer.get("hourly"), dict):
        return
    names = {"rain_mm": "precipitation", "solar_mj_m2": "shortwave_radiation"}
    sent = answer["hourly"].get(names[field])
    numbers = (
        [x for x in sent if isinstance(x, int | float) and not isinstance(x, bool)]
        if isinstance(sent, list)
        else []
    )
    most = math.fsum(max(x, 0.0) for x in numbers if abs(x) < 1e6) * (25.4 if field == "rain_mm" else 0.0036)
    total = math.fsum(v.value for v in found.values if v.field == field)
    assert total <= most + 1e-6
