"""today.json as the service rewrites it: the plan's page, with what happened since."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def laid_over(page: Mapping[str, Any] | None, service: Mapping[str, Any]) -> dict[str, Any]:
    """The page with the service's notices first, what is open, and what was given.

    service: {"date", "garden", "timezone", "display", "hours", "made_at", "newest_s", "facts",
    "notices", "open_now", "given"}.
    Where no plan was ever made, a page without zones that still carries the notices.
    """
    out = dict(page) if page is not None else _without_plan(service)
    own = [n for n in out.get("notices", ()) if not (isinstance(n, dict) and _of_service(n))]
    out["notices"] = [*service["notices"], *own]
    out["open_now"] = service["open_now"]
    if service["newest_s"] is not None:  # outlives a lost database: no right clock is earlier
        out["newest_s"] = service["newest_s"]
    if service.get("facts") is not None:  # the page's own count may be of a later look
        out["facts"] = max(service["facts"], out.get("facts", 0))
    if service.get("given") is not None and out["date"] == service["date"]:
        out["applied"] = service["given"]
    return out


def _of_service(notice: Mapping[str, Any]) -> bool:
    """Whether it says so anew, where it still holds."""
    return notice.get("by") == "service" or notice.get("key") == "records"


def _without_plan(service: Mapping[str, Any]) -> dict[str, Any]:
    day = service["date"]
    return {
        "garden": service["garden"],
        "date": day,
        "made_at": service["made_at"],
        "timezone": service["timezone"],
        "display": service["display"],
        "window": {
            "from": f"{day}T{service['hours'][0]}:00",
            "until": f"{day}T{service['hours'][1]}:00",
        },
        "windows": [],
        "weather": {"yesterday": {}, "today": {}},
        "zones": [],
        "runs": [],
        "unmet": [],
        "applied": [],
        "unanswered": [],
        "notices": [],
        "sources": {"failures": [], "notices": [], "credits": []},
        "digests": {},
    }
