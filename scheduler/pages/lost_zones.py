"""Zones that garden.yaml had last week and has no more, with what was told of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import timedelta

from scheduler.model import Notice
from scheduler.planning.facts import Facts
from scheduler.planning.spans import ASK_BACK_DAYS
from scheduler.planning.unanswered import unanswered_runs


def lost_zone_notices(facts: Facts) -> Iterator[Notice]:
    """For a week: a zone renamed by a slip takes its water and notes along."""
    since = facts.day - timedelta(days=ASK_BACK_DAYS)
    days = sorted(day for day in facts.plans if since <= day < facts.day)
    known = dict.fromkeys(zone["zone"] for day in days for zone in facts.plans[day].page["zones"])
    asked = Counter(one.zone for one in unanswered_runs(facts))
    here = {zone.name for zone in facts.zones}
    for name in known:
        water = sum(one.zone == name for one in facts.applied)
        notes = sum(one.zone == name for one in facts.notes)
        counts = (water, "watering"), (notes, "note"), (asked[name], "day without an answer")
        if name in here or not any(count for count, _ in counts):
            continue
        record = ", ".join(_count(number, what) for number, what in counts if number)
        yield Notice(
            "look",
            f"garden.yaml no longer has {name}: its record ({record}) counts for no zone. If only its name "
            "is another now, give it the old one back",
            "answer",
        )


def _count(number: int, what: str) -> str:
    noun, *more = what.split(" ", 1)
    return " ".join([str(number), noun + "s" * (number != 1), *more])
