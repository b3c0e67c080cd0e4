"""The daily way: ask the sources, plan, publish.  Same facts, same plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from scheduler.errors import BadInput, NoReferenceET
from scheduler.garden.file import planting_from_note
from scheduler.model import Fetched, Garden, Run, StoredPlan
from scheduler.pages.day import day_page
from scheduler.pages.feeding import window_words
from scheduler.pages.week import week_page
from scheduler.pages.working import day_working
from scheduler.places import Places
from scheduler.planning.digests import inputs_digest
from scheduler.planning.facts import Facts, gather
from scheduler.planning.notes import MakePlanting
from scheduler.planning.plan import Plan, with_remedies, work_out
from scheduler.planning.sensors import add_from_sensors
from scheduler.planning.spans import RECENT_DAYS
from scheduler.publish.calendar import schedule_ics
from scheduler.publish.files import write_schedule_ics, write_schedule_json, write_today
from scheduler.shapes.base import NoticeLine
from scheduler.shapes.day import DayPage
from scheduler.shapes.working import DayWorking
from scheduler.show import show_volume
from scheduler.store import older, openings
from scheduler.store.owner import Owner
from scheduler.weather.sources import collect as collect_weather

if TYPE_CHECKING:
    from scheduler.store.store import Store

Collect = Callable[[date], tuple[list[Fetched], list[str]]]
"""Ask the weather sources for the days from a date on; failures come back as lines of text."""
CALENDAR_DAYS = 14
ADVICE_TO_COME = " advice to come"
"""After the digest of a plan's inputs: what would mend its week has not been worked out yet."""
LONGEST_RECORD_YEARS = 30
YEARS_OF_FILES = 5
"""How far back a station's file is read once, on the first day."""


def run_day(garden: Garden, store: Store, day: date, *, now: datetime, places: Places) -> DayPage:
    """Ask the sources, plan, publish; the page that was published.

    Where the week does not fit it is published once more, with what would mend it: that takes several times
    as long as the plan, and the water of the morning does not wait for it.
    """
    _refuse_far(store, day)
    store.keep_for(owner_of(garden, places))
    new = store.first_day is None or store.weather_span() is None  # past years may have been stored before

    def ask(since: date) -> tuple[list[Fetched], list[str]]:
        return collect_weather(
            garden, since, day, now, years_of_files=new * YEARS_OF_FILES,
            stored=store.weather(since, day), data_folder=places.data,
        )  # fmt: skip

    for plan in _plans(garden, store, day, ask, now=now, places=places):
        page = publish(garden, store, plan.page, places)
    return page


def _refuse_far(store: Store, day: date) -> None:
    """BadInput for a day so long after the first on record (all are played) that a year must be mistyped."""
    known = store.first_day
    if known is not None and (day - known).days > 366 * LONGEST_RECORD_YEARS:
        raise BadInput(
            f"{day} is more than {LONGEST_RECORD_YEARS} years after the first day on record, {known}: "
            "is a year mistyped, or the clock wrong?"
        )


def owner_of(garden: Garden, places: Places) -> Owner:
    """Whose records these are; the service's copy of garden.yaml still names the folder it came from."""
    place = garden.location
    return Owner.of(garden.name, place.latitude_deg, place.longitude_deg, garden.folder, places.config.name)


def plan_again(
    garden: Garden, store: Store, day: date, *, now: datetime, places: Places, before: DayPage
) -> DayPage:
    """Plan again from the facts on record, without asking any source (after a note of the grower).

    Without advice on a week that does not fit, unless the facts are still those of a plan that has it.
    before: the page of the plan that it replaces; what the sources said then is said again.
    """
    said = before.get("sources", {})
    credit = ", ".join(said.get("credits", ())) or None
    answer = Fetched((), tuple(said.get("notices", ())), credit)
    failures = list(said.get("failures", ()))
    plan = next(_plans(garden, store, day, lambda _: ([answer], failures), now=now, places=places))
    return publish(garden, store, plan.page, places)


def _plans(
    garden: Garden, store: Store, day: date, ask: Collect, *, now: datetime, places: Places
) -> Iterator[StoredPlan]:
    make_planting = partial(planting_from_note, places.config)
    return plan_day(garden, day, now=now, store=store, collect=ask, make_planting=make_planting)


def plan_day(
    garden: Garden,
    day: date,
    *,
    now: datetime,
    store: Store,
    collect: Collect,
    make_planting: MakePlanting | None = None,
) -> Iterator[StoredPlan]:
    """The day's plan on record; then the same with advice, where its week does not fit.

    Whoever takes only the first waits for no advice.  Twice on the same facts, it keeps the first plan.
    """
    morning = _asked(garden, day, now, store, collect, make_planting)
    inputs = inputs_digest(garden, morning.facts)
    kept = morning.facts.plans.get(day)
    if kept is not None and kept.inputs == inputs:
        yield kept
        return
    plan = _worked_out(morning)
    working = day_working(garden, morning.facts, plan)
    to_come = plan.outlook is not None and plan.outlook.wants_remedies
    first = morning.keep(store, plan, working, inputs + ADVICE_TO_COME * to_come)
    yield first
    advised, newest = with_remedies(plan), store.plan(day)
    if advised is not None and newest is not None and newest.inputs == first.inputs:  # no other since then
        yield morning.keep(store, advised, working, inputs)


def _worked_out(morning: _Morning) -> Plan:
    """The plan; where no weather is known at all, what each source said stands beside it."""
    try:
        return work_out(morning.garden, morning.facts, now=morning.now)
    except NoReferenceET as problem:
        said = "".join(f"\n  {line}" for line in morning.failures)
        hint = "rowwater check tries every source; rowwater day tries them again"
        raise NoReferenceET(problem.text + said, hint=hint if said else problem.hint) from None


class _Morning(NamedTuple):
    """All that is known of the day, and how a plan made of it goes on record."""

    garden: Garden
    facts: Facts
    fetched: Sequence[Fetched]
    failures: Sequence[str]
    now: datetime

    def keep(self, store: Store, plan: Plan, working: DayWorking, inputs: str) -> StoredPlan:
        page = day_page(
            self.garden, self.facts, plan, made_at=self.now, fetched=self.fetched, failures=self.failures
        )
        week = week_page(self.garden, plan, made_at=self.now)
        return store.add_plan(self.facts.day, self.now, inputs, page, {**working, "week": week})


def _asked(
    garden: Garden, day: date, now: datetime, store: Store, collect: Collect, make: MakePlanting | None
) -> _Morning:
    """Weather and sensors asked, and put on record with all that is known."""
    store.begin(day)
    known_from = min(store.first_day or day, day)
    fetched, failures = collect(known_from - timedelta(days=RECENT_DAYS + 1))
    store.add_weather(value for answer in fetched for value in answer.values)
    failures = failures + add_from_sensors(garden, store, now=now, since=known_from)
    return _Morning(garden, gather(garden, day, store, make, now), fetched, failures, now)


def publish(garden: Garden, store: Store, plan: DayPage, places: Places) -> DayPage:
    """schedule.json, schedule.ics and today.json, each replaced whole; the plan's page as it is in there."""
    day = date.fromisoformat(plan["date"])
    page = _of_records(store, plan, day)
    plans = store.plans(day - timedelta(days=CALENDAR_DAYS), day)
    dated = [(plan.day, run) for plan in plans if plan.day != day for run in plan.runs]
    dated += [(day, Run.from_page(run)) for run in page["runs"]]
    write_schedule_json(
        places.data,
        {
            key: page[key]
            for key in ("date", "made_at", "window", "windows", "runs", "unmet", "notices")
            if key in page
        },
    )
    calendar = schedule_ics(
        [run for _, run in dated],
        dates=[day for day, _ in dated],
        garden_name=garden.name,
        timezone=garden.location.timezone,
        made_at=datetime.fromisoformat(page["made_at"]),
        describe=lambda run: _calendar_text(garden, run),
        by_hand={zone.name for zone in garden.zones if zone.valve.driver == "by_hand"},
    )
    write_schedule_ics(places.data, calendar)
    write_today(places.data, {**page, "facts": openings.facts(store)})
    return page


def _of_records(store: Store, page: DayPage, day: date) -> DayPage:
    """What is to be said of the records themselves stands first; it is no part of the plan."""
    if (text := older.told(store, day)) is None:
        return page
    first: NoticeLine = {"level": "problem", "text": text, "kind": "records", "key": "records"}
    return {**page, "notices": [first, *page["notices"]]}


def _calendar_text(garden: Garden, run: Run) -> str:
    feed = "" if run.feed is None else f"; inject feed {window_words(run.feed)}"
    return f"{show_volume(run.liters, garden.display)}{feed}; afterwards: rowwater note applied --as-planned"
