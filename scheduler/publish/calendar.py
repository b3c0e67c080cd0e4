"""The schedule as a calendar file (RFC 5545)."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from icalendar import Calendar, Event, Timezone

    from scheduler.model import Run


_SEQUENCE_FROM = datetime(2020, 1, 1, tzinfo=UTC)


def schedule_ics(
    runs: Iterable[Run],
    *,
    garden_name: str,
    timezone: str,
    made_at: datetime,
    describe: Callable[[Run], str],
    by_hand: Collection[str] = (),
    dates: Sequence[date] | None = None,
) -> bytes:
    """An iCalendar stream (RFC 5545) with one event per run, the same bytes for the same arguments.

    runs: all that the calendar is to hold, past days too; of two for the same zone, local date and pulse the
    later one holds. Each such run keeps its UID, so a calendar published anew updates events in place.
    describe: the text of an event, with the water in the grower's units. by_hand: zones whose runs sound an
    alarm, since somebody has to open them. ValueError for naive moments and a run that does not end after
    it starts (to the second).
    dates: of each run, the date whose plan it is of; None: the local date of its start.
    """
    from zoneinfo import ZoneInfo

    zone = ZoneInfo(timezone)
    stamp = _utc(made_at)
    events: dict[str, tuple[Run, Event]] = {}
    runs = list(runs)
    starts = [_utc(run.start).astimezone(zone).date() for run in runs]
    for run, day in zip(runs, starts if dates is None else dates, strict=True):
        uid = _uid(garden_name, run, day)
        events[uid] = (run, _event(run, uid, zone, stamp, describe(run), run.zone in by_hand))
    ordered = sorted(events.values(), key=lambda pair: (_utc(pair[0].start), pair[0].zone, pair[0].pulse))
    years = [moment.astimezone(zone).year for run, _ in ordered for moment in (run.start, run.stop)]
    years = years or [made_at.astimezone(zone).year]
    calendar = _calendar(garden_name, timezone, stamp)
    calendar.add_component(_vtimezone(timezone, zone, min(years), max(years)))
    for _, event in ordered:
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _calendar(garden_name: str, timezone: str, stamp: datetime) -> Calendar:
    from icalendar import Calendar, vDuration

    calendar = Calendar()
    calendar.add("PRODID", "-//Rowwater//Watering schedule//EN")
    calendar.add("VERSION", "2.0")
    calendar.add("CALSCALE", "GREGORIAN")
    name = f"Watering: {garden_name}"
    calendar.add("NAME", name)  # RFC 7986, 5.1; the X- properties are its elder, widely read cousins
    calendar.add("X-WR-CALNAME", name)
    calendar.add("X-WR-TIMEZONE", timezone)
    calendar.add("LAST-MODIFIED", stamp)  # RFC 7986, 5.4
    hourly = vDuration(timedelta(hours=1))
    hourly.params["VALUE"] = "DURATION"  # the property has no default: RFC 7986, 5.7
    calendar.add("REFRESH-INTERVAL", hourly)
    calendar.add("X-PUBLISHED-TTL", "PT1H")
    return calendar


def _event(run: Run, uid: str, zone: Any, stamp: datetime, text: str, alarm: bool) -> Event:
    from icalendar import Alarm, Event

    start, stop = _local_or_utc(run.start, run.stop, zone)
    if stop <= start:
        raise ValueError(f"the run of {run.zone} ends at {run.stop}, not after its start {run.start}")
    event = Event()
    event.add("UID", uid)
    event.add("DTSTAMP", stamp)
    event.add("LAST-MODIFIED", stamp)
    event.add("SEQUENCE", max(0, int((stamp - _SEQUENCE_FROM).total_seconds())))
    event.add("DTSTART", start)
    event.add("DTEND", stop)
    summary = f"Water {run.zone} {_duration_text(run.minutes)}"
    event.add("SUMMARY", summary)
    event.add("DESCRIPTION", text)
    event.add("TRANSP", "TRANSPARENT")  # watering leaves the grower's time free
    if alarm:
        bell = Alarm()
        bell.add("ACTION", "DISPLAY")
        bell.add("TRIGGER", timedelta(0))
        bell.add("DESCRIPTION", summary)
        event.add_component(bell)
    return event


def _duration_text(minutes: float) -> str:
    if minutes < 1:
        return f"{minutes * 60:.0f} s"
    return f"{round(minutes, 1):g} min"


def _uid(garden_name: str, run: Run, day: date) -> str:
    """A UUID by name (RFC 7986, 5.3 asks for UUIDs): garden, zone, local date, pulse."""
    from uuid import NAMESPACE_URL, uuid5

    # as JSON, since a zone's name may hold any separator
    return str(
        uuid5(NAMESPACE_URL, "rowwater:" + json.dumps([garden_name, run.zone, day.isoformat(), run.pulse]))
    )


def _utc(moment: datetime) -> datetime:
    """In whole seconds, all that iCalendar knows."""
    if moment.utcoffset() is None:
        raise ValueError(f"{moment!r} has no time zone")
    return moment.astimezone(UTC).replace(microsecond=0)


def _local_or_utc(start: datetime, stop: datetime, zone: Any) -> tuple[datetime, datetime]:
    """Both in local time; in UTC where one falls in the second pass of the hour that is repeated in autumn.

    A local time always means the first pass (RFC 5545, 3.3.5), so the second can only be said in UTC.
    """
    start, stop = _utc(start), _utc(stop)
    local = start.astimezone(zone), stop.astimezone(zone)
    if any(moment.fold for moment in local) or stop <= start:
        return start, stop
    return local


def _vtimezone(name: str, zone: Any, first_year: int, last_year: int) -> Timezone:
    """The zone's rules for the years given.

    Onsets are local time by the offset before the change (RFC 5545, 3.6.5: New York's spring onset reads
    02:00); the library's own converter puts spring onsets at the time after it, an hour late.
    """
    from icalendar import Timezone, TimezoneDaylight, TimezoneStandard

    component = Timezone()
    component.add("TZID", name)
    begin = datetime(first_year, 1, 1, tzinfo=UTC) - timedelta(days=1)
    end = datetime(last_year + 1, 1, 1, tzinfo=UTC) + timedelta(days=1)
    offset_before = begin.astimezone(zone).utcoffset()
    for moment in (begin, *_changes(zone, begin, end)):
        local = moment.astimezone(zone)
        part = TimezoneDaylight() if local.dst() else TimezoneStandard()
        part.add("DTSTART", (moment + (offset_before or timedelta(0))).replace(tzinfo=None))
        part.add("TZOFFSETFROM", offset_before)
        part.add("TZOFFSETTO", local.utcoffset())
        part.add("TZNAME", local.tzname())
        component.add_component(part)
        offset_before = local.utcoffset()
    return component


def _changes(zone: Any, begin: datetime, end: datetime) -> Iterator[datetime]:
    """The moments, in UTC to the second, at which the zone's offset changes."""

    def offset(moment: datetime) -> timedelta | None:
        return moment.astimezone(zone).utcoffset()

    step = timedelta(days=1)
    while begin < end:
        low, high = begin, begin + step
        if offset(low) != offset(high):
            while high - low > timedelta(seconds=1):
                middle = (low + (high - low) / 2).replace(microsecond=0)
                if offset(middle) == offset(low):
                    low = middle
                else:
                    high = middle
            yield high
        begin += step
