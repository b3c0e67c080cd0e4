"""Every value of the contract comes back from the disk as it went in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store.samples import NOW

from scheduler.model import (
    WEATHER_FIELDS,
    Applied,
    Note,
    NoteKind,
    Outcome,
    StoredPlan,
    ValueKind,
    WeatherValue,
)
from scheduler.store.store import Store

ZONES = [
    UTC,
    timezone(timedelta(hours=5, minutes=45)),
    *map(ZoneInfo, ("America/New_York", "Australia/Lord_Howe")),
]

days = st.dates(min_value=date(1900, 1, 1), max_value=date(2200, 12, 31))
moments = st.datetimes(
    min_value=datetime(1950, 1, 1), max_value=datetime(2150, 1, 1), timezones=st.sampled_from(ZONES)
)
numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | numbers | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
json_objects = st.dictionaries(texts, json_values, max_size=4)

values = st.builds(
    WeatherValue, days, st.sampled_from([*WEATHER_FIELDS, "rain_so_far_mm"]), numbers, texts,
    st.sampled_from(get_args(ValueKind)), moments,
)  # fmt: skip
waterings = st.builds(
    Applied, texts, days, numbers, numbers, numbers, numbers, st.sampled_from(get_args(Outcome)), moments,
    st.none() | st.integers(1, 50), st.none() | moments, st.none() | moments, st.booleans(), st.booleans(),
    st.none() | numbers, st.none() | numbers,
)  # fmt: skip
remarks = st.builds(Note, st.sampled_from(get_args(NoteKind)), days, moments, st.none() | texts, json_objects)
plans_made = st.builds(StoredPlan, days, moments, texts, json_objects)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("roundtrip") / "rowwater.db", now=NOW) as opened:
        yield opened


def told(fact: Any) -> dict[str, Any]:
    """Every field with its type.

    Moments in UTC, since Python holds those of a repeated hour unequal to all others of another zone.
    SQLite knows no negative zero; equality does not either.
    """
    plain = {f.name: getattr(fact, f.name) for f in fields(fact)}
    plain = {k: v.astimezone(UTC) if isinstance(v, datetime) else v for k, v in plain.items()}
    return {k: (type(v), v) for k, v in plain.items()}


quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@quick
@given(value=values)
def test_weather_value(store: Store, value: WeatherValue) -> None:
    added = store.add_weather([value])
    history = [v for v in store.weather_issued(value.day, value.day) if v.field == value.field]
    if added:
        assert told(history[-1]) == told(value)
    key = (value.source, value.kind, value.value)
    assert [v for v in store.weather(value.day, value.day) if (v.source, v.kind, v.value) == key]


@quick
@given(record=waterings)
def test_applied_record(store: Store, record: Applied) -> None:
    store.add_applied(record)
    assert told(store.applied(record.day, record.day, record.zone)[-1]) == told(record)


@quick
@given(note=remarks)
def test_note(store: Store, note: Note) -> None:
    store.add_note(note)
    aside = [one for one, _ in store.unusable_notes()]
    assert told(note) in map(told, [*store.notes(note.day, note.day, note.kind), *aside])


@quick
@given(plan=plans_made, working=json_objects)
def test_stored_plan(store: Store, plan: StoredPlan, working: dict[str, Any]) -> None:
    earlier = store.plan(plan.day)
    returned = store.add_plan(plan.day, plan.made_at, plan.inputs, plan.page, working)
    found = store.plan(plan.day)
    assert found is not None
    assert told(returned) == told(found)
    kept = earlier is not None and earlier.inputs == plan.inputs
    assert told(found) == told(earlier if kept else plan)
    if not kept:
        assert store.working(found) == working


@pytest.mark.parametrize(
    ("kind", "table"),
    [(WeatherValue, "weather_values"), (Applied, "applied"), (Note, "notes"), (StoredPlan, "plans")],
)
def test_every_field_has_its_column(store: Store, kind: type, table: str) -> None:
    with store.reading() as connection:
        columns = {row["name"] for row in connection.execute(f"PRAGMA table_info({table})")}
    assert {f.name for f in fields(kind)} == columns - {"id", "working"}
