"""Zones that garden.yaml had last week and has no more, with what was told of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from scheduler.model import Notice
from scheduler.planning.facts import Facts
from scheduler.planning.spans import ASK_BACK_DAYS


def lost_zone_notices(facts: Facts) -> Iterator[Notice]:
    """For a week: a zone renamed by a slip takes its water and notes along."""
    since = facts.day - timedelta(days=ASK_BACK_DAYS)
    days = sorted(day for day in facts.plans if since <= day < facts.day)
    known = dict.fromkeys(zone["zone"] for day in days for zone in facts.plans[day].page["zones"])
    here = {zone.name for zone in facts.zones}
    for name in known:
        water = sum(one.zone == name for one in facts.applied)
        notes = sum(one.zone == name for one in facts.notes)
        if name in here or not water + notes:
            continue
        record = f"{_count(water, 'watering')}, {_count(notes, 'note')}"
        yield Notice(
            "look",
            f"garden.yaml no longer has {name}: its record ({record}) counts for no zone. If only its name "
            "is another now, give it the old one back",
            "answer",
        )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"
