"""The why page: of a plan's working, as it was kept, what bears on one zone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scheduler.model import StoredPlan
from scheduler.pages.lines import line

if TYPE_CHECKING:
    from scheduler.shapes.working import Section, StoredWorking, WhyPage, ZoneWorking


def why_page(plan: StoredPlan, working: StoredWorking, zone: str, *, in_garden: bool = True) -> WhyPage:
    """working: as kept with the plan. in_garden: garden.yaml has the zone still."""
    nothing: ZoneWorking = {"sections": [], "history": []}
    own = working["zones"].get(zone, nothing)
    return {
        "zone": zone,
        "date": plan.day.isoformat(),
        "made_at": plan.made_at.isoformat(),
        "plain": [*([] if in_garden else [_gone(plan, zone)]), *own.get("plain", [])],
        "sections": [*working["shared"], *_sources(plan), *own["sections"]],
        "history": own["history"],
    }


def _gone(plan: StoredPlan, zone: str) -> str:
    return f"garden.yaml no longer has {zone}: this is the plan of {plan.day} as it was made."


def _sources(plan: StoredPlan) -> list[Section]:
    """What the sources of weather left out or repaired, a spoilt hour by its name."""
    told = plan.page.get("sources", {}).get("notices", [])
    return [{"title": "What was wrong with the weather", "lines": list(map(line, told))}] if told else []
