"""What stands inside notes, plans and records of water: a fact that nobody could use is refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, get_args

from scheduler.model import Run, Stage
from scheduler.store.exchange.judge import (
    Check,
    Unfit,
    at_least,
    day,
    moment,
    number,
    shaped,
    text,
    whole,
    word,
)
from scheduler.store.withdrawn import UNDO


def _share(value: Any) -> float:
    found = number(value)
    if not 0 <= found <= 1:
        raise Unfit("a share from 0 to 1")
    return found


def _numbers(value: Any) -> list[int]:
    if not isinstance(value, list):
        raise Unfit("a list of numbers of lines")
    return [whole(one) for one in value]


DETAILS: Mapping[str, Mapping[str, Check]] = {
    "rain": {"mm": at_least(0), "since": moment, "at": moment},
    "soil": {"at": moment},
    "planted": {"crop": text},
    "sprinkled": {"mm": at_least(0)},
    "stage": {"stage": word(get_args(Stage))},
    "cover": {"cover": _share},
    "hold": {"until": day},
    "chore": {"chore": text},
    UNDO: {"notes": _numbers, "applied": _numbers},
}
OF_A_ZONE = frozenset(
    (
        "planted", "pulled", "hold", "soil", "emerged", "sprinkled", "stage", "cover", "dry-off", "feed",
        "tape", "repair",
    )
)  # fmt: skip


def note(found: Mapping[str, Any]) -> None:
    kind, details = found["kind"], found["details"]
    shaped(details, DETAILS.get(kind, {}))
    if kind in OF_A_ZONE and found["zone"] is None:
        raise Unfit(f'a "zone" of a note of kind {kind}')
    if kind == "soil":
        name = "tension_kpa" if "tension_kpa" in details else "theta"
        shaped(details, {name: number})
    if kind == "rain" and moment(details["since"]) > moment(details["at"]):
        raise Unfit('in "details" a "since" that is not after "at"')


def applied(found: Mapping[str, Any]) -> None:
    least, most = found["least_minutes"], found["most_minutes"]
    if least is not None and most is not None and least > most:
        raise Unfit('"least_minutes" not above "most_minutes"')


def plan(found: Mapping[str, Any]) -> None:
    page = found["page"]
    if page.get("date") != found["day"]:
        raise Unfit(f'in "page" the "date" {found["day"]}')
    runs = page.get("runs", [])
    try:
        for run in runs:
            Run.from_page(run)
    except (LookupError, TypeError, ValueError, AttributeError):
        raise Unfit('in "page" a list of "runs"') from None


INSIDE: Mapping[str, Callable[[Mapping[str, Any]], None]] = {"note": note, "applied": applied, "plan": plan}
