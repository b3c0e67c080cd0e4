"""The templates, and what all of them may say; whatever a page holds is escaped."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from scheduler import show
from scheduler.phrases.days import clock_time, weekday
from scheduler.shapes.base import Display


@cache
def templates() -> Environment:
    """`common.css` can be included too: the report carries its styles with it."""
    places = [PackageLoader("scheduler.html", place) for place in ("templates", "static")]
    found = Environment(
        loader=ChoiceLoader(places), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    found.filters |= {"clock_time": clock_time, "weekday": weekday, "minutes": show.show_minutes}
    return found


def quantities(display: Display) -> dict[str, Callable[[float | None], str]]:
    """How templates show what a page holds in SI; "?" where nobody knows."""
    shown = {
        "depth": show.show_depth,
        "volume": show.show_volume,
        "flow": show.show_flow,
        "pressure": show.show_pressure,
        "length": show.show_length,
        "area": show.show_area,
    }
    return {name: partial(_or_unknown, one, display) for name, one in shown.items()}


def _or_unknown(shown: Callable[[float, Display], str], display: Display, value: float | None) -> str:
    return "?" if value is None else shown(value, display)
