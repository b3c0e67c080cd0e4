"""What goes in comes out, once, and stays."""

from __future__ import annotations

import json
import random
import sqlite3
import threading
import time
import zlib
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType

import pytest
from store.samples import DAY, NOW, rain_note, season_weather, water

from scheduler.errors import CouldNot
from scheduler.model import WEATHER_FIELDS, Opening, Share, WeatherValue
from scheduler.store import openings
from scheduler.store.store import Store, effective_applied

FACT_TABLES = (
    "store_info", "weather_values", "applied", "notes", "plans", "openings", "heartbeats", "closings",
)  # fmt: skip


def rows(path: Path, query: str) -> list[tuple[object, ...]]:
    """Read without the program."""
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute(query).fetchall()


def history(store: Store, day: date, field: str) -> list[WeatherValue]:
    return [value for value in store.weather_issued(day, day) if value.field == field]


# --- facts are added, never edited ---


def fill_every_table(store: Store) -> None:
    store.begin(DAY)
    store.add_weather(season_weather(1))
    store.add_applied(water())
    store.add_note(rain_note())
    store.add_plan(DAY, NOW, "digest", {"runs": []}, {})
    share = Share("tomatoes", DAY, 1, 48.0, 19.0, 0.08, 0.09)
    openings.open_in_books(store, Opening("a", "gpio:17", 2880.0, (share,), NOW, "boot", 1.0))
    openings.beat(store, [("a", 30.0)], NOW)
    openings.close_in_books(store, "a", (), NOW)


@pytest.mark.parametrize("table", FACT_TABLES)
@pytest.mark.parametrize("change", ["UPDATE {table} SET {column} = {column}", "DELETE FROM {table}"])
def test_triggers_refuse_edits(store: Store, path: Path, table: str, change: str) -> None:
    """Whatever program makes them."""
    fill_every_table(store)
    before = rows(path, f"SELECT * FROM {table}")
    assert before
    edit = change.format(table=table, column="value" if table == "store_info" else "id")
    with closing(sqlite3.connect(path)) as plain:
        with pytest.raises(sqlite3.IntegrityError, match="never edited"):
            plain.execute(edit)
        plain.rollback()
    assert rows(path, f"SELECT * FROM {table}") == before


@pytest.mark.parametrize("table", FACT_TABLES)
def test_no_replacing_through_the_store(store: Store, path: Path, table: str) -> None:
    """REPLACE deletes without firing triggers unless told to: https://sqlite.org/lang_conflict.html"""
    fill_every_table(store)
    before = rows(path, f"SELECT * FROM {table}")
    with pytest.raises(sqlite3.IntegrityError, match="never edited"), store.writing() as connection:
        connection.execute(f"REPLACE INTO {table} SELECT * FROM {table}")
    assert rows(path, f"SELECT * FROM {table}") == before


def test_every_table_of_the_database_has_its_triggers(store: Store, path: Path) -> None:
    tables = {name for (name,) in rows(path, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables == {*FACT_TABLES, "alembic_version"}
    triggers = {name for (name,) in rows(path, "SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    assert triggers == {f"{table}_no_{change}" for table in FACT_TABLES for change in ("update", "delete")}


# --- what the store knows of itself ---


def test_the_first_day_is_set_once(store: Store, path: Path) -> None:
    assert store.first_day is None
    store.begin(date(2026, 4, 20))
    store.begin(date(2026, 4, 1))
    store.begin(date(2026, 5, 1))
    assert store.first_day == date(2026, 4, 20)
    with Store.open(path, now=NOW + timedelta(days=3)) as again:
        again.begin(date(2026, 6, 15))
        assert again.first_day == date(2026, 4, 20)
    assert ("created_at", "2026-06-12T08:00:00.000000+00:00") in rows(
        path, "SELECT name, value FROM store_info"
    )


def test_two_stores_beginning_at_once_agree(path: Path) -> None:
    with Store.open(path, now=NOW) as one, Store.open(path, now=NOW) as other:
        ready = threading.Barrier(2)

        def begin(store: Store, day: date) -> None:
            ready.wait()
            store.begin(day)

        threads = [
            threading.Thread(target=begin, args=pair) for pair in ((one, DAY), (other, DAY + timedelta(1)))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert one.first_day == other.first_day
    assert len(rows(path, "SELECT * FROM store_info WHERE name = 'first_day'")) == 1


# --- weather ---


def test_the_same_answer_again_adds_nothing(store: Store) -> None:
    values = season_weather()
    assert store.add_weather(iter(values)) == len(values)
    later = [replace(value, fetched_at=NOW + timedelta(hours=3)) for value in values]
    assert store.add_weather(later) == 0
    assert store.weather(date(2026, 1, 1), date(2026, 12, 31)) == values


def test_a_revised_value_is_a_new_fact_and_the_old_one_stays(store: Store) -> None:
    first = WeatherValue(DAY, "rain_mm", 4.0, "open-meteo", "forecast", NOW)
    revised = replace(first, value=9.5, fetched_at=NOW + timedelta(hours=6))
    back = replace(first, fetched_at=NOW + timedelta(hours=12))
    assert [store.add_weather([value]) for value in (first, revised, back, back)] == [1, 1, 1, 0]
    assert store.weather(DAY, DAY) == [back]
    assert history(store, DAY, "rain_mm") == [first, revised, back]
    assert history(store, DAY, "tmin_c") == []
    assert history(store, DAY + timedelta(1), "rain_mm") == []


def test_within_one_answer_the_last_word_holds(store: Store) -> None:
    value = WeatherValue(DAY, "rain_mm", 4.0, "gauge", "gauge", NOW)
    said = [value, replace(value, value=5.0), replace(value, value=5.0), replace(value, value=6.0)]
    assert store.add_weather(said) == 3
    assert [v.value for v in store.weather(DAY, DAY)] == [6.0]


def test_newest_is_kept_apart_by_day_field_source_and_kind(store: Store) -> None:
    value = WeatherValue(DAY, "rain_mm", 4.0, "nws", "forecast", NOW)
    others = [
        replace(value, day=DAY + timedelta(1)),
        replace(value, field="tmin_c"),
        replace(value, source="open-meteo"),
        replace(value, kind="station"),
    ]
    assert store.add_weather([value, *others]) == 5
    assert store.weather(DAY, DAY + timedelta(1)) == [value, *others]


def test_no_values_are_no_trouble(store: Store) -> None:
    assert store.add_weather([]) == 0
    assert store.weather(DAY, DAY) == []
    assert store.weather_span() is None


def test_weather_span_and_its_edges(store: Store) -> None:
    values = season_weather(10, first=DAY)
    store.add_weather(random.Random(4).sample(values, len(values)))
    last = DAY + timedelta(9)
    assert store.weather_span() == (DAY, last)
    assert {v.day for v in store.weather(DAY, last)} == {DAY + timedelta(i) for i in range(10)}
    assert {v.day for v in store.weather(DAY + timedelta(1), last - timedelta(1))} == {
        DAY + timedelta(i) for i in range(1, 9)
    }


def test_weather_is_the_newest_of_any_history(store: Store) -> None:
    """Against a dictionary, for a random history."""
    random_ = random.Random(20260612)
    told: dict[tuple[object, ...], WeatherValue] = {}
    for fetch in range(20):
        answer = [
            WeatherValue(
                DAY + timedelta(random_.randrange(4)), random_.choice(WEATHER_FIELDS[:3]),
                float(random_.randrange(3)), random_.choice("ab"), random_.choice(["model", "forecast"]),
                NOW + timedelta(hours=fetch),
            )
            for _ in range(15)
        ]  # fmt: skip
        store.add_weather(answer)
        for value in answer:
            key = (value.day, value.field, value.source, value.kind)
            if key not in told or told[key].value != value.value:
                told[key] = value
    found = store.weather(DAY, DAY + timedelta(3))
    assert {(v.day, v.field, v.source, v.kind): v for v in found} == told
    assert len(found) == len(told)


def test_a_season_of_weather_is_quick(store: Store) -> None:
    """400 days x 10 fields x 3 sources; the bound is loose, a query without its index takes minutes."""
    values = [
        WeatherValue(date(2026, 1, 1) + timedelta(i), field, i / 7, source, "model", NOW)
        for i in range(400)
        for field in WEATHER_FIELDS[:10]
        for source in "abc"
    ]
    began = time.process_time()
    assert store.add_weather(values) == 12_000
    assert store.add_weather(values) == 0
    assert store.weather(date(2026, 1, 1), date(2027, 12, 31)) == values
    assert time.process_time() - began < 3


# --- water given ---


def test_applied_in_order_of_recording_and_narrowed(store: Store) -> None:
    records = [
        water(day=DAY + timedelta(1)),
        water("beans"),
        water(pulse=2, recorded_at=NOW - timedelta(days=9)),
        water(day=DAY - timedelta(1)),
    ]
    for record in records:
        store.add_applied(record)
    assert store.applied(DAY - timedelta(1), DAY + timedelta(1)) == records
    assert store.applied(DAY, DAY) == records[1:3]
    assert store.applied(DAY, DAY + timedelta(1), zone="tomatoes") == [records[0], records[2]]
    assert store.applied(DAY, DAY, zone="Tomatoes") == []


def test_the_same_water_twice_is_twice_the_water(store: Store) -> None:
    store.add_applied(water())
    store.add_applied(water())
    assert effective_applied(store.applied(DAY, DAY)) == [water(), water()]


def test_a_correction_takes_the_place_of_all_before_it() -> None:
    pulses = [water(pulse=1), water(pulse=2)]
    corrected = water(minutes=20.0, outcome="by hand", replaces_day=True)
    after = water(minutes=5.0, outcome="by hand")
    assert effective_applied([*pulses, corrected]) == [corrected]
    assert effective_applied([*pulses, corrected, after]) == [corrected, after]
    again = water(minutes=0.0, net_mm=0.0, replaces_day=True)
    assert effective_applied([*pulses, corrected, after, again]) == [again]
    assert effective_applied([*pulses, again, corrected]) == [corrected]


def test_a_correction_leaves_other_zones_and_days_alone() -> None:
    others = [water("beans"), water(day=DAY - timedelta(1))]
    corrected = water(minutes=20.0, replaces_day=True)
    assert effective_applied([others[0], water(), others[1], corrected]) == [*others, corrected]
    assert effective_applied([]) == []


def test_recording_order_decides_and_not_the_clock() -> None:
    """The clock of a small board may step back between two records."""
    corrected = water(minutes=20.0, replaces_day=True, recorded_at=NOW - timedelta(hours=9))
    assert effective_applied([water(), corrected]) == [corrected]


# --- notes and plans ---


def test_notes_narrowed_by_day_and_kind(store: Store) -> None:
    notes = [
        rain_note(DAY + timedelta(2)),
        rain_note(),
        rain_note(kind="hold", zone="beans", details={"until": "2026-06-20"}),
        rain_note(DAY - timedelta(2), kind="filter", details={}),
    ]
    for note in notes:
        store.add_note(note)
    assert store.notes() == notes
    assert store.notes(first=DAY) == notes[:3]
    assert store.notes(last=DAY) == notes[1:]
    assert store.notes(DAY, DAY, "hold") == [notes[2]]
    assert store.notes(kind="tape") == []


def test_a_plan_on_the_same_inputs_is_kept(store: Store, path: Path) -> None:
    first = store.add_plan(DAY, NOW, "a", {"zones": [1]}, {"kc": 0.6})
    again = store.add_plan(DAY, NOW + timedelta(hours=1), "a", {"zones": [2]}, {})
    assert again == first == store.plan(DAY)
    assert first.page == {"zones": [1]}
    assert first.made_at == NOW
    assert rows(path, "SELECT count(*) FROM plans") == [(1,)]


def test_a_plan_on_other_inputs_is_a_new_one(store: Store, path: Path) -> None:
    store.add_plan(DAY, NOW, "a", {"n": 1}, {})
    second = store.add_plan(DAY, NOW + timedelta(hours=1), "b", {"n": 2}, {})
    assert store.plan(DAY) == second
    # back to what the first rested on: it is the newest that counts
    third = store.add_plan(DAY, NOW + timedelta(hours=2), "a", {"n": 3}, {})
    assert store.plan(DAY) == third
    assert third.page == {"n": 3}
    assert rows(path, "SELECT inputs FROM plans ORDER BY id") == [("a",), ("b",), ("a",)]


def test_plans_newest_of_each_day_in_order(store: Store) -> None:
    late = store.add_plan(DAY, NOW, "a", {}, {})
    store.add_plan(DAY - timedelta(2), NOW, "a", {}, {})
    early = store.add_plan(DAY - timedelta(2), NOW, "b", {}, {})
    store.add_plan(DAY + timedelta(1), NOW, "a", {}, {})
    assert store.plans(DAY - timedelta(5), DAY) == [early, late]
    assert store.plan(DAY - timedelta(1)) is None


def test_json_is_text_with_sorted_keys(store: Store, path: Path) -> None:
    nested = MappingProxyType({"b": (1, 2), "a": MappingProxyType({"d": None, "c": "ß"})})
    plan = store.add_plan(DAY, NOW, "a", nested, {})
    assert plan.page == {"a": {"c": "ß", "d": None}, "b": [1, 2]}
    ((text,),) = rows(path, "SELECT page FROM plans")
    assert isinstance(text, bytes)
    assert zlib.decompress(text).decode() == json.dumps(
        {"b": [1, 2], "a": {"d": None, "c": "ß"}}, sort_keys=True
    )
    with pytest.raises(TypeError, match="set"):
        store.add_plan(DAY, NOW, "b", {"zones": {1}}, {})


def test_moments_are_utc_text_with_the_local_day_beside_them(store: Store, path: Path) -> None:
    late = datetime(2026, 6, 12, 22, 30, tzinfo=NOW.tzinfo)  # already the 13th in UTC
    store.add_applied(water(recorded_at=late))
    assert rows(path, "SELECT day, recorded_at FROM applied") == [
        ("2026-06-12", "2026-06-13T02:30:00.000000+00:00")
    ]
    assert store.applied(DAY, DAY)[0].recorded_at == late


def test_both_passes_of_the_repeated_hour_stay_apart(store: Store) -> None:
    """New York, 2026-11-01: 01:30 comes twice, 05:30 and 06:30 UTC."""
    day = date(2026, 11, 1)
    passes = [datetime(2026, 11, 1, 1, 30, tzinfo=NOW.tzinfo, fold=fold) for fold in (0, 1)]
    for moment in passes:
        store.add_applied(water(day=day, opened_at=moment))
    opened = [record.opened_at for record in store.applied(day, day)]
    assert opened == [datetime(2026, 11, 1, 5, 30, tzinfo=UTC), datetime(2026, 11, 1, 6, 30, tzinfo=UTC)]


# --- the file, and the way it is used ---


def test_every_connection_is_durable_and_checked(store: Store) -> None:
    """https://sqlite.org/pragma.html: synchronous 2 is FULL; with a write-ahead log it syncs every commit."""
    with store.reading() as connection:
        found = {
            name: connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert found == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def test_threads_share_a_store(store: Store) -> None:
    def work(zone: str) -> None:
        for pulse in range(10):
            store.add_applied(water(zone, pulse=pulse))
            store.add_weather([WeatherValue(DAY, "rain_mm", float(pulse), zone, "station", NOW)])

    threads = [threading.Thread(target=work, args=(zone,)) for zone in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for zone in "abcd":
        assert [record.pulse for record in store.applied(DAY, DAY, zone)] == list(range(10))
    assert all(earlier != later for earlier, later in pairwise(history(store, DAY, "rain_mm")))
    assert len(history(store, DAY, "rain_mm")) == 40


def test_a_backup_holds_what_is_still_in_the_log(store: Store, path: Path, tmp_path: Path) -> None:
    fill_every_table(store)
    assert path.with_name("rowwater.db-wal").stat().st_size > 0
    to = tmp_path / "backup.db"
    store.backup(to)
    store.add_applied(water("beans"))
    with Store.open(to, now=NOW) as copy:
        assert copy.applied(DAY, DAY) == [water()]
        assert copy.notes() == store.notes()
        assert copy.plan(DAY) == store.plan(DAY)
        assert copy.weather(date(2026, 4, 1), DAY) == store.weather(date(2026, 4, 1), DAY)
        assert copy.first_day == DAY
    store.backup(to)  # over the older one
    with Store.open(to, now=NOW) as copy:
        assert len(copy.applied(DAY, DAY)) == 2
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_a_backup_overwrites_nothing_else(store: Store, path: Path, tmp_path: Path) -> None:
    garden = tmp_path / "garden.yaml"
    garden.write_text("garden: Creekside plot\n")
    linked = tmp_path / "link.db"
    linked.symlink_to(path)
    (tmp_path / "folder").mkdir()
    for to in (garden, path, linked, tmp_path / "folder"):
        with pytest.raises(CouldNot, match="not an older backup"):
            store.backup(to)
    with pytest.raises(CouldNot):
        store.backup(tmp_path / "nowhere" / "backup.db")
    assert garden.read_text() == "garden: Creekside plot\n"
    assert linked.is_symlink()
    store.add_applied(water())
    assert store.applied(DAY, DAY) == [water()]


def test_a_closed_store_says_so(path: Path) -> None:
    store = Store.open(path, now=NOW)
    store.close()
    store.close()
    with pytest.raises(RuntimeError, match="closed"):
        store.notes()
    assert sorted(p.name for p in path.parent.iterdir()) == ["rowwater.db"]
