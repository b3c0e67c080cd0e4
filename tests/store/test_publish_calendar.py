"""The calendar against RFC 5545 (section numbers below are its own unless RFC 7986 is named).

Read back by icalendar, and its time zones by dateutil, whose reader of VTIMEZONE is a separate one.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from dateutil.tz import tzical
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar
from store.samples import NOW, SITE, planned

from scheduler.model import Run
from scheduler.publish.calendar import schedule_ics

NEW_YORK = "America/New_York"


def at(day: str, clock: str, zone: ZoneInfo = SITE, fold: int = 0) -> datetime:
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=zone, fold=fold)


RUNS = (
    planned("tomatoes", at("2026-06-12", "04:30"), 48, pulse=1),
    planned("tomatoes", at("2026-06-12", "06:18"), 24, pulse=2),
    planned("beans", at("2026-06-12", "05:18"), 31),
    planned("tomatoes", at("2026-06-11", "04:40"), 45),
)


def published(runs: Sequence[Run] = RUNS, **changes: Any) -> bytes:
    arguments: dict[str, Any] = {
        "garden_name": "Creekside plot", "timezone": NEW_YORK, "made_at": NOW,
        "describe": lambda run: f"{run.liters:.0f} L",
    }  # fmt: skip
    return schedule_ics(runs, **(arguments | changes))


def events(content: bytes) -> list[Any]:
    return list(Calendar.from_ical(content).walk("VEVENT"))


def lines(content: bytes) -> list[str]:
    """Unfolded content lines (3.1)."""
    return content.decode().replace("\r\n ", "").split("\r\n")[:-1]


# --- 3.1 content lines ---


def test_3_1_lines_end_with_crlf_and_fold_at_75_octets() -> None:
    name = "Schöner Garten am Fluß, Beete 1; 2\\3 – " * 4
    content = published(garden_name=name, describe=lambda run: "Wasser für die Möhren – größer " * 20)
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert b"\r" not in content.replace(b"\r\n", b"")
    physical = content.split(b"\r\n")
    assert max(map(len, physical)) <= 75
    assert sum(line.startswith(b" ") for line in physical) > 10
    calendar = Calendar.from_ical(content)
    assert str(calendar["X-WR-CALNAME"]) == f"Watering: {name}"
    assert {str(e["DESCRIPTION"]) for e in calendar.walk("VEVENT")} == {
        "Wasser für die Möhren – größer " * 20
    }


def test_3_3_11_text_is_escaped() -> None:
    told = "one, two; three\\four\nfive"
    content = published(RUNS[:1], describe=lambda run: told)
    assert "DESCRIPTION:one\\, two\\; three\\\\four\\nfive" in lines(content)
    assert str(events(content)[0]["DESCRIPTION"]) == told


# --- 3.4, 3.6 the object as a whole ---


def test_3_6_what_a_calendar_needs() -> None:
    found = lines(published())
    assert (found[0], found[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    for needed in ("VERSION:2.0", "CALSCALE:GREGORIAN"):  # 3.7.4, 3.7.1
        assert found.count(needed) == 1
    assert sum(line.startswith("PRODID:") for line in found) == 1  # 3.7.3
    # a METHOD would make it a message between calendar users, which needs an ORGANIZER (RFC 5546, 3.2.1)
    assert not any(line.startswith(("METHOD", "ORGANIZER")) for line in found)


def test_refresh_each_hour() -> None:
    """RFC 7986, 5.7: REFRESH-INTERVAL must say VALUE=DURATION. The X- property is common practice."""
    found = lines(published())
    assert "REFRESH-INTERVAL;VALUE=DURATION:PT1H" in found
    assert "X-PUBLISHED-TTL:PT1H" in found
    assert "X-WR-CALNAME:Watering: Creekside plot" in found
    assert "NAME:Watering: Creekside plot" in found  # RFC 7986, 5.1


def test_3_6_a_calendar_without_runs_still_holds_a_component() -> None:
    calendar = Calendar.from_ical(published([]))
    assert events(published([])) == []
    assert [component.name for component in calendar.subcomponents] == ["VTIMEZONE"]


# --- 3.6.1 events ---


def test_3_6_1_each_run_is_one_event_with_uid_and_dtstamp() -> None:
    found = events(published())
    assert len(found) == len(RUNS)
    for event in found:
        names = [name for name, _ in event.property_items(recursive=False)]
        for needed in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "SEQUENCE"):
            assert names.count(needed) == 1
        assert event.decoded("DTSTAMP") == NOW
        assert event.decoded("LAST-MODIFIED") == NOW
        assert event.decoded("DTEND") > event.decoded("DTSTART")  # 3.8.2.2


def test_3_8_7_2_stamps_are_in_utc() -> None:
    stamps = [line for line in lines(published()) if line.startswith(("DTSTAMP", "LAST-MODIFIED"))]
    assert set(stamps) == {"DTSTAMP:20260612T080000Z", "LAST-MODIFIED:20260612T080000Z"}


def test_events_say_what_to_do_in_order_of_time() -> None:
    found = events(published())
    assert [str(e["SUMMARY"]) for e in found] == [
        "Water tomatoes 45 min", "Water tomatoes 48 min", "Water beans 31 min", "Water tomatoes 24 min",
    ]  # fmt: skip
    assert [str(e["DESCRIPTION"]) for e in found] == ["855 L", "912 L", "589 L", "456 L"]
    assert {str(e["TRANSP"]) for e in found} == {"TRANSPARENT"}  # 3.8.2.7
    by_start = sorted(RUNS, key=lambda run: run.start)
    assert [e.decoded("DTSTART") for e in found] == [run.start for run in by_start]
    assert [e.decoded("DTEND") for e in found] == [run.stop for run in by_start]


@pytest.mark.parametrize(
    ("minutes", "told"),
    [(48, "48 min"), (5.5, "5.5 min"), (120, "120 min"), (0.75, "45 s"), (7.26, "7.3 min")],
)
def test_minutes_as_people_say_them(minutes: float, told: str) -> None:
    (event,) = events(published([planned("beans", RUNS[0].start, minutes)]))
    assert str(event["SUMMARY"]) == f"Water beans {told}"


# --- 3.8.4.7 UID, 3.8.7.4 SEQUENCE: an event is updated in place ---


def by_uid(content: bytes) -> dict[str, Any]:
    found = events(content)
    known = {str(event["UID"]): event for event in found}
    assert len(known) == len(found)
    return known


def test_3_8_4_7_a_run_moved_within_its_day_keeps_its_uid() -> None:
    before = by_uid(published())
    moved = [
        replace(run, start=run.start + timedelta(hours=2), stop=run.stop + timedelta(hours=2), minutes=7.0)
        for run in RUNS
    ]
    after = by_uid(published(moved, made_at=NOW + timedelta(minutes=1), timezone=NEW_YORK))
    assert set(before) == set(after)
    for uid, event in before.items():
        assert after[uid].decoded("DTSTART") == event.decoded("DTSTART") + timedelta(hours=2)
        assert int(after[uid]["SEQUENCE"]) > int(event["SEQUENCE"]) > 0


def test_3_8_4_7_zone_date_pulse_and_garden_tell_events_apart() -> None:
    run = RUNS[0]
    others = [
        replace(run, zone="beans"),
        replace(run, pulse=2),
        replace(run, start=run.start + timedelta(days=1), stop=run.stop + timedelta(days=1)),
        replace(run, zone='tomatoes", "2026-06-12'),
    ]
    uids = [str(event["UID"]) for event in events(published([run, *others]))]
    uids += [str(event["UID"]) for event in events(published([run], garden_name="Hillside plot"))]
    assert len(set(uids)) == 6
    for uid in uids:  # RFC 7986, 5.3: no host or user name, a UUID
        assert re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uid)


def test_the_uid_follows_the_local_date() -> None:
    """21:00 in New York is the next day in UTC: both runs are of 12 June, and one takes the other's place."""
    evening = planned("beans", at("2026-06-12", "21:00"), 30)
    morning = planned("beans", at("2026-06-12", "05:00"), 30)
    assert set(by_uid(published([evening]))) == set(by_uid(published([morning])))
    in_utc = replace(evening, start=evening.start.astimezone(UTC), stop=evening.stop.astimezone(UTC))
    assert published([in_utc]) == published([evening])


def test_of_two_runs_for_one_identity_the_later_one_holds() -> None:
    (event,) = events(published([RUNS[0], replace(RUNS[0], minutes=12.0)]))
    assert str(event["SUMMARY"]) == "Water tomatoes 12 min"


def test_3_3_8_sequence_fits_an_integer() -> None:
    """Integers go to 2147483647; a clock gone wrong must not leave that range on either side."""
    for made_at in (datetime(1970, 1, 1, tzinfo=UTC), NOW, datetime(2080, 1, 1, tzinfo=UTC)):
        for event in events(published(made_at=made_at)):
            assert 0 <= int(event["SEQUENCE"]) <= 2_147_483_647


def test_same_arguments_same_bytes() -> None:
    assert published() == published()
    assert published(list(reversed(RUNS))) == published()
    assert published(made_at=NOW.astimezone(UTC)) == published()


# --- 3.6.6 alarms ---


def test_3_6_6_an_alarm_at_the_start_for_zones_opened_by_hand() -> None:
    found = events(published(by_hand={"beans"}))
    assert {str(e["SUMMARY"]): len(e.walk("VALARM")) for e in found} == {
        "Water tomatoes 45 min": 0, "Water tomatoes 48 min": 0, "Water tomatoes 24 min": 0,
        "Water beans 31 min": 1,
    }  # fmt: skip
    (alarm,) = [alarm for e in found for alarm in e.walk("VALARM")]
    assert str(alarm["ACTION"]) == "DISPLAY"  # which needs a DESCRIPTION and a TRIGGER
    assert str(alarm["DESCRIPTION"]) == "Water beans 31 min"
    assert alarm["TRIGGER"].dt == timedelta(0)
    assert "RELATED" not in alarm["TRIGGER"].params  # START by default, 3.2.14


# --- 3.6.5, 3.8.2.4 time zones ---


def test_3_8_2_4_times_are_local_with_the_zone_they_are_defined_in() -> None:
    found = lines(published())
    assert f"DTSTART;TZID={NEW_YORK}:20260612T043000" in found
    assert f"DTEND;TZID={NEW_YORK}:20260612T051800" in found
    assert found.count(f"TZID:{NEW_YORK}") == 1  # 3.2.19: a VTIMEZONE for each TZID
    assert f"X-WR-TIMEZONE:{NEW_YORK}" in found
    assert found.index("BEGIN:VTIMEZONE") < found.index("BEGIN:VEVENT")


def test_3_6_5_new_york_as_the_standard_prints_it() -> None:
    """The onsets of 2007 in its examples: both at 02:00 local time, by the offset before the change."""
    found = "\n".join(lines(published([planned("beans", at("2007-06-12", "05:00"), 30)])))
    for part in (
        "BEGIN:DAYLIGHT\nDTSTART:20070311T020000\nTZNAME:EDT\nTZOFFSETFROM:-0500\nTZOFFSETTO:-0400\nEND:DAYLIGHT",
        "BEGIN:STANDARD\nDTSTART:20071104T020000\nTZNAME:EST\nTZOFFSETFROM:-0400\nTZOFFSETTO:-0500\nEND:STANDARD",
    ):
        assert part in found


WORLD = (
    NEW_YORK, "Europe/Berlin", "Europe/Dublin", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu",
    "America/Phoenix", "Africa/Casablanca", "Pacific/Apia", "UTC",
)  # fmt: skip


def moment_read(content: bytes, name: str, zone: str) -> datetime:
    """What a reader makes of the only event's DTSTART or DTEND, by the VTIMEZONE in the file alone."""
    text = content.decode().replace("\r\n ", "").replace("\r\n", "\n")
    event = text[text.index("BEGIN:VEVENT") :]
    found = re.search(rf"^{name}(?:;TZID=(.+))?:(\d{{8}}T\d{{6}})(Z?)$", event, re.MULTILINE)
    assert found is not None
    local = datetime.strptime(found[2], "%Y%m%dT%H%M%S")
    if found[3]:
        return local.replace(tzinfo=UTC)
    assert found[1] == zone
    return local.replace(tzinfo=tzical(io.StringIO(text)).get(zone)).astimezone(UTC)


@settings(max_examples=120, deadline=None)
@given(
    zone=st.sampled_from(WORLD),
    start=st.datetimes(datetime(2009, 1, 1), datetime(2037, 12, 31), timezones=st.just(UTC)),
    minutes=st.integers(1, 900),
)
def test_events_mean_the_moments_they_were_made_of(zone: str, start: datetime, minutes: int) -> None:
    start = start.replace(microsecond=0)
    content = published([planned("beans", start, minutes)], timezone=zone)
    assert moment_read(content, "DTSTART", zone) == start
    assert moment_read(content, "DTEND", zone) == start + timedelta(minutes=minutes)


CHANGES = {
    "America/New_York": ("2026-03-08T07:00", "2026-11-01T06:00"),
    "Europe/Berlin": ("2026-03-29T01:00", "2026-10-25T01:00"),
    "Australia/Lord_Howe": ("2026-10-03T15:30", "2026-04-04T15:00"),  # by half an hour only
}
"""UTC moments of 2026 at which clocks go forward and back.

From memory of the rules: New York on the second Sunday of March and the first of November, 02:00; Berlin on
the last Sundays of March and October, 01:00 UTC; Lord Howe on the first Sundays of October and April, 02:00.
"""


@pytest.mark.parametrize("zone", CHANGES)
@pytest.mark.parametrize("which", [0, 1])
def test_the_nights_of_the_clock_change_every_ten_minutes(zone: str, which: int) -> None:
    change = datetime.fromisoformat(CHANGES[zone][which]).replace(tzinfo=UTC)
    site = ZoneInfo(zone)
    offsets = [(change + timedelta(minutes=m)).astimezone(site).utcoffset() for m in (-1, 0)]
    assert (offsets[0] < offsets[1]) == (which == 0)
    for offset in range(-120, 125, 10):
        start = change + timedelta(minutes=offset)
        content = published([planned("beans", start, 25)], timezone=zone)
        assert moment_read(content, "DTSTART", zone) == start
        assert moment_read(content, "DTEND", zone) == start + timedelta(minutes=25)


def test_3_3_5_the_second_pass_of_the_repeated_hour_is_said_in_utc() -> None:
    """A local time that occurs twice "refers to the first occurrence"."""
    first = planned("beans", at("2026-11-01", "01:15"), 20, pulse=1)
    second = planned("beans", at("2026-11-01", "01:15", fold=1), 20, pulse=2)
    across = planned("beans", at("2026-11-01", "01:50"), 20, pulse=3)
    found = lines(published([first, second, across]))
    assert [line for line in found if line.startswith("DTSTART")][-3:] == [
        f"DTSTART;TZID={NEW_YORK}:20261101T011500", "DTSTART:20261101T055000Z", "DTSTART:20261101T061500Z",
    ]  # fmt: skip
    assert [line for line in found if line.startswith("DTEND")] == [
        f"DTEND;TZID={NEW_YORK}:20261101T013500", "DTEND:20261101T061000Z", "DTEND:20261101T063500Z",
    ]  # fmt: skip


# --- what is refused ---


def test_moments_without_a_zone_and_runs_without_length_are_refused() -> None:
    naive = replace(RUNS[0], start=RUNS[0].start.replace(tzinfo=None))
    with pytest.raises(ValueError, match="time zone"):
        published([naive])
    with pytest.raises(ValueError, match="time zone"):
        published(made_at=NOW.replace(tzinfo=None))
    for stop in (RUNS[0].start, RUNS[0].start - timedelta(minutes=5)):  # 3.8.2.2: DTEND is later than DTSTART
        with pytest.raises(ValueError, match="not after its start"):
            published([replace(RUNS[0], stop=stop)])


def test_a_run_past_midnight_is_another_than_the_first_of_the_next_evening() -> None:
    """Both begin on the 12th, as pulse 1 of their zone: they are of two dates' plans."""
    runs = [
        planned("tomatoes", at("2026-06-12", "00:30"), 30, pulse=1),
        planned("tomatoes", at("2026-06-12", "22:00"), 30, pulse=1),
    ]
    dates = [datetime(2026, 6, day).date() for day in (11, 12)]
    assert len(by_uid(published(runs, dates=dates))) == 2
