"""What the grower is told of feeding through the tape this morning; nothing opens a valve of an injector."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from scheduler.model import FeedWindow, Garden, Notice, Run
from scheduler.pages.lines import line
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.facts import Facts
from scheduler.planning.feeding import FeedAsk, feeds_asked
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line
from scheduler.show import show_minutes

FEED_CAUTIONS = (
    "Feeding: only behind a backflow preventer approved for injection (local codes come first), only while "
    "water flows, jar test against clogging before, flush to the end, no acids or pesticides by this page, "
    "wear goggles"
)


def feed_notices(garden: Garden, facts: Facts, plan: Plan) -> Iterator[Notice]:
    """The cautions once, then of each zone that is to be fed today: when, or why not."""
    asked = feeds_asked(garden, facts, plan.live.terms, plan.live.today)
    runs = {name: [run for run in plan.schedule.runs if run.zone == name] for name in asked}
    if any(run.feed for mine in runs.values() for run in mine):
        yield Notice("info", FEED_CAUTIONS, "feed")
    for name, ask in asked.items():
        in_window = any(run.feed for run in runs[name])
        still_to_come = bool(runs[name] or ask.noted) and not (ask.noted and _has_run(facts, name))
        if in_window or still_to_come:
            yield _notice(plan, ask, runs[name])


def _has_run(facts: Facts, zone: str) -> bool:
    """Water ran today: a note of feeding then tells what was done."""
    opened = {name for name, _ in facts.tried | facts.begun}
    return zone in opened or bool(facts.applied_on(zone, facts.day))


def _notice(plan: Plan, ask: FeedAsk, runs: list[Run]) -> Notice:
    fed = next((run for run in runs if run.feed), None)
    if fed is not None and fed.feed is not None:
        text = f"{ask.zone}: inject feed {window_words(fed.feed)}{_shared(plan, fed)}"
        told = "" if ask.noted else f"; once it is done: rowwater note feed {ask.zone}"
        return Notice("info", text + told, "feed", (ask.zone,))
    text = f"{ask.zone}: {_why_not(plan, ask, runs)}"
    return Notice("look" if ask.noted else "info", text, "feed", (ask.zone,))


def window_words(feed: FeedWindow) -> str:
    """Such as "04:17 to 04:38, then clean water until 05:00"."""
    return f"{feed.start:%H:%M} to {feed.stop:%H:%M}, then clean water until {feed.flush_until:%H:%M}"


def _shared(plan: Plan, fed: Run) -> str:
    """Other zones that run meanwhile, on the same supply."""
    assert fed.feed is not None
    begin, end = fed.feed.start.timestamp(), fed.feed.flush_until.timestamp()
    others = dict.fromkeys(
        run.zone
        for run in plan.schedule.runs
        if run.zone != fed.zone and run.start.timestamp() < end and run.stop.timestamp() > begin
    )
    if not others:
        return ""
    return f" ({', '.join(others)} run{'s' if len(others) == 1 else ''} then: fed too, unless shut off)"


def _why_not(plan: Plan, ask: FeedAsk, runs: list[Run]) -> str:
    if ask.least_run is None:
        return "when to feed is not known: its tape wants inside_diameter and emitter_spacing"
    if not runs:
        return "you noted that it is fed today, and no run is planned to feed in"
    last = max(runs, key=lambda run: run.stop.timestamp())
    what = "last pulse" if len(runs) > 1 else "run"
    if last.minutes >= ask.least_run:
        return f"today's {what} has begun: too late to feed in it"
    short = (
        f"today's {what} of {show_minutes(last.minutes)} is too short to feed in "
        f"({show_minutes(ask.least_run)} needed)"
    )
    later = None if plan.outlook is None else _next_long_enough(plan, ask.zone, ask.least_run)
    if later is not None:
        day, minutes = later
        return f"{short}; the next long enough is {day:%a} {day.day} {day:%b} ({show_minutes(minutes)})"
    longer = "" if ask.noted else f"; rowwater note feed {ask.zone} --date tomorrow lengthens that day's"
    return f"{short}, and so are those of the coming days{longer}"


def _next_long_enough(plan: Plan, zone: str, least_minutes: float) -> tuple[date, float] | None:
    """The next day whose last planned run is long enough, and its minutes; None in this week."""
    outlook = plan.outlook
    assert outlook is not None
    z = outlook.week.zones.index(zone)
    for k in range(1, len(outlook.plan.minutes)):
        pulses = [pulse for pulse in outlook.plan.of_day(k) if pulse.valve == outlook.week.valve[z]]
        last = max(pulses, key=lambda pulse: pulse.stop, default=None)
        if last is None or not outlook.plan.minutes[k, z] > 0:
            continue
        if last.stop - last.start >= least_minutes:
            return outlook.day(k), float(last.stop - last.start)
    return None


# --- in why --------------------------------------------------------------------------------------


def feed_lines(garden: Garden, facts: Facts, plan: Plan, spot: ZoneDay) -> Iterator[Line]:
    """Travel time, shortest run and window of a zone that is to be fed today; none of any other."""
    ask = feeds_asked(garden, facts, plan.live.terms, plan.live.today).get(spot.zone.name)
    if ask is None or ask.travel is None or ask.least_run is None:
        return
    tape, rows, flow = spot.zone.tape, spot.planting.rows, spot.stand.delivery.flow_lpm
    line_too = "" if garden.supply.mainline is None else ", and volume / flow of the supply line's pieces"
    yield line(
        "feed travels to the last emitter", "t", ask.travel, "min",
        f"1000 A s / q (1 + 1/2 + .. + 1/n), q = Q s / tape{line_too}",
        f"inside {tape.inside_diameter_m} m, s {tape.emitter_spacing_m} m, Q {flow:.3f}, "
        f"tape {rows.tape_m:.2f} m, row {rows.length_m:.2f} m",
        "model M14",
    )  # fmt: skip
    fill, tank = ask.fill, ask.injector or 0.0
    yield line(
        "shortest run to feed in", "", ask.least_run, "min",
        "max(fill_time, t/2) + max(t, 15, injector_minutes) + max(t, 10), rounded up",
        f"max({fill:.1f}, {ask.travel / 2:.2f}) + max({ask.travel:.2f}, 15, {tank:.0f}) "
        f"+ max({ask.travel:.2f}, 10)",
        "da Silva et al. 2022" + ("; water is added for it: note feed" if ask.noted else ""),
    )  # fmt: skip
    for run in plan.schedule.runs:
        if run.zone == spot.zone.name and run.feed is not None:
            minutes = (run.feed.stop - run.feed.start).total_seconds() / 60
            yield line(
                "injection",
                "",
                minutes,
                "min",
                "2 t where the run is long enough, else t; at least 15",
                window_words(run.feed),
                "no injector is opened",
            )
