"""Whether these are the same facts as before: short digests of what a plan rests on."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from scheduler.model import Garden, StoredPlan
from scheduler.planning.facts import Facts
from scheduler.planning.notes import OF_THE_BALANCE
from scheduler.planning.spans import DAYS_AHEAD


def digests(garden: Garden, facts: Facts, before: date) -> dict[str, str]:
    """A short digest of each kind of input that a balance up to `before` rests on.

    Two plans whose digests differ say which kind of fact was edited in between.
    """
    keep = max((before - facts.weather.first).days, 0)
    begin = max((facts.start - facts.weather.first).days - 1, 0)
    columns = {
        name: [None if x != x else round(x, 6) for x in getattr(facts.weather, name)[begin:keep].tolist()]
        for name in ("tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s",
                     "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm")
    }  # fmt: skip
    water = [(a.zone, a.day, a.minutes, a.net_mm) for a in facts.applied if a.day < before]
    found = {
        "weather": _digest(columns),
        "water given": _digest(sorted(map(repr, water))),
        "garden": _digest(repr(replace(garden, notices=(), folder="."))),
    }
    soil = [repr((n.zone, n.details)) for n in facts.notes if n.kind == "soil" and n.day < before]
    crops = [
        repr((n.kind, n.day, n.zone, n.details))
        for n in facts.notes
        if n.kind in OF_THE_BALANCE and n.day < before
    ]
    return (
        found
        | ({"soil readings": _digest(soil)} if soil else {})
        | ({"your notes": _digest(crops)} if crops else {})
    )


def inputs_digest(garden: Garden, facts: Facts) -> str:
    """Everything today's plan rests on; a second run with the same digest keeps the first plan."""
    ahead = facts.weather
    parts: dict[str, Any] = digests(garden, facts, facts.day + timedelta(days=DAYS_AHEAD + 1))
    if facts.in_hand():
        parts["in hand"] = [repr((run.zone, run.pulse)) for run in facts.in_hand()]
    if facts.unread:
        parts["unread"] = [repr((plan.day, plan.made_at, why)) for plan, why in facts.unread]
    if facts.aside:
        parts["aside"] = [repr((one.note.kind, one.note.day, one.note.zone, one.why)) for one in facts.aside]
    if facts.under_way:
        parts["under way"] = [repr((one.uid, one.seconds)) for one in facts.under_way]
    return _digest(
        parts
        | {
            "day": facts.day.isoformat(),
            "rain so far": facts.rain_so_far_mm,
            "chance": [None if x != x else x for x in ahead.rain_chance_pct.tolist()[-DAYS_AHEAD - 1 :]],
            "notes": [repr((n.kind, n.day, n.zone, n.details)) for n in facts.notes if n.kind != "rain"],
            "today": [
                repr((a.zone, a.minutes, a.net_mm, *([] if a.most_minutes is None else [a.most_minutes])))
                for a in facts.applied
                if a.day == facts.day
            ],
            "unanswered": [repr((d, _planned(p))) for d, p in facts.plans.items() if d < facts.day],
        }
    )


def _planned(plan: StoredPlan) -> list[Any]:
    return [(run.zone, run.minutes) for run in plan.runs]


def _digest(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
