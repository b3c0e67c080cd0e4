"""The templates, and what all of them may say; whatever a page holds is escaped."""

from __future__ import annotations

from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from scheduler.phrases.days import clock_time, weekday
from scheduler.show import show_depth, show_flow, show_minutes, show_volume


@cache
def templates() -> Environment:
    """`common.css` can be included too: the report carries its styles with it."""
    places = [PackageLoader("scheduler.html", place) for place in ("templates", "static")]
    found = Environment(
        loader=ChoiceLoader(places), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    found.filters |= {
        "clock_time": clock_time, "weekday": weekday, "depth": show_depth, "flow": show_flow,
        "minutes": show_minutes, "volume": show_volume,
    }  # fmt: skip
    return found
