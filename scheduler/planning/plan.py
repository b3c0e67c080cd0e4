"""One day, worked out: facts in, today's runs and the week out."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.need import Need
from scheduler.model import Garden, Schedule
from scheduler.planning.facts import Facts
from scheduler.planning.feeding import feeds_asked, with_feed
from scheduler.planning.live import Live, balance_to_last_night
from scheduler.planning.today import decide, done_runs, schedule
from scheduler.planning.unanswered import Unanswered, unanswered_runs
from scheduler.planning.week import Outlook, look_ahead

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Plan:
    """One day, worked out."""

    live: Live
    need: Need
    schedule: Schedule
    unanswered: tuple[Unanswered, ...]
    minutes_if_given: Mm  # (zone,), wanted today if every unanswered run was given as planned
    outlook: Outlook | None = None  # the week this day is part of
    unplanned: str | None = None  # why there is none: today then follows each zone's own rule

    @property
    def waits(self) -> BoolArray:
        """(zone,) Due, and left without water in the hope of rain."""
        if self.outlook is None:
            return self.need.waits
        return np.asarray(self.need.waits & (self.outlook.plan.minutes[0] == 0))


def work_out(garden: Garden, facts: Facts, *, now: datetime) -> Plan:
    """The pure middle of the day: facts in, plan out."""
    unanswered = unanswered_runs(facts)
    live = balance_to_last_night(garden, facts, ())
    need = decide(garden, facts, live)
    ahead = decide(garden, facts, live, as_planned=True) if facts.begun else need
    if unanswered:
        as_planned = decide(garden, facts, balance_to_last_night(garden, facts, unanswered)).minutes
    else:
        as_planned = need.minutes
    outlook, runs, unplanned = None, None, None
    try:
        outlook, runs = look_ahead(garden, facts, live, ahead, done_runs(facts), now=now)
    except Exception as error:  # whatever goes wrong with the week, today's water must not be lost
        unplanned = f"{type(error).__name__}: {error}"
        log.error("the week could not be planned: %s", unplanned, exc_info=log.isEnabledFor(logging.DEBUG))
    runs = runs or schedule(garden, facts, live, ahead, now=now)
    asked = feeds_asked(garden, facts, live.terms, live.today)
    runs = replace(runs, runs=with_feed(runs.runs, asked, now=now))
    return Plan(live, need, runs, unanswered, as_planned, outlook, unplanned)


def with_remedies(plan: Plan) -> Plan | None:
    """The same plan with what would mend its week; None where nothing is to be said, or it went wrong."""
    if plan.outlook is None or not plan.outlook.wants_remedies:
        return None
    try:
        return replace(plan, outlook=plan.outlook.with_remedies())
    except Exception as error:  # advice that fails takes nothing from the plan
        log.error("what would mend the week could not be worked out: %s", error, exc_info=True)
        return None
