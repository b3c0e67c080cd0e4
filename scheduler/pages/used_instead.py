"""What yesterday and today rest on where a source of weather did not answer."""

from __future__ import annotations

from scheduler.core.balance.et import CLIMATOLOGY, RECENT_MEAN
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.weather import source_of

MEANS = {CLIMATOLOGY: "a mean of past years", RECENT_MEAN: "a mean of past days"}


def used_instead(facts: Facts, live: Live, failed: str) -> str:
    """Such as "yesterday by station.csv, today's ET0 a mean of past days"; `failed`: the source's name."""
    told = facts.weather.came_from.get("tmax_c", ())
    at = live.et_offset + live.today
    names = {"yesterday": at - 1, "today": at}
    found = {name: _word(live, told[i] if i < len(told) else None, i, failed) for name, i in names.items()}
    if found["yesterday"] == found["today"]:
        found = {"yesterday and today": found["today"]}
    return ", ".join(_said(name, *word) for name, word in found.items())


def _word(live: Live, came_from: str | None, i: int, failed: str) -> tuple[str, bool]:
    """Who says it, and whether that is no weather but a mean."""
    mean = MEANS.get(int(live.et.method[i]))
    if mean is not None:
        return mean, True
    source = source_of(came_from)
    return ("its earlier answer" if source == failed else str(source)), False


def _said(name: str, word: str, is_mean: bool) -> str:
    return f"{name}'s ET0 {word}" if is_mean else f"{name} by {word}"
