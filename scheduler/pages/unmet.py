"""What the supply keeps from a zone today, with its reason in words of the display."""

from __future__ import annotations

from scheduler.model import Display
from scheduler.pages.rounding import rounded
from scheduler.planning.plan import Plan
from scheduler.shapes.base import UnmetLine
from scheduler.show import words


def unmet_lines(plan: Plan, display: Display) -> list[UnmetLine]:
    """Today's."""
    return [
        {"zone": u.zone, "net_mm": rounded(u.net_mm), "why": words(u.why, u.numbers, display)}
        for u in plan.schedule.unmet
    ]
