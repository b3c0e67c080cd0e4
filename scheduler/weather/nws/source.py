"""The National Weather Service as a weather source: its forecast, and the nearest station's reports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from scheduler.errors import BadInput
from scheduler.model import Fetched
from scheduler.weather.nws import service as nws
from scheduler.weather.quantities import NEEDED
from scheduler.weather.request import Request

NWS_VARIABLE = "ROWWATER_NWS_URL"


def complaints(settings: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    try:
        nws.agent(settings.get("contact"))
    except BadInput as problem:
        yield "contact", f"{problem.text} - for example {problem.hint}"


def answer(ask: Request) -> Fetched:
    def known(day: date) -> bool:
        mine = {
            v.field for v in ask.stored if v.day == day and v.source == ask.spec.name and v.kind == "station"
        }
        return mine >= NEEDED

    answers = nws.fetch(
        ask.location,
        contact=ask.spec.settings.get("contact"),
        days=nws.days_to_measure(ask.span_from, ask.today, known),
        now=ask.now,
        get=ask.get,
        cache=ask.cache,
        url=str(ask.spec.settings.get("url") or ask.environ.get(NWS_VARIABLE) or nws.URL),
    )
    return nws.parse(
        answers,
        location=ask.location,
        today=ask.today,
        now=ask.now,
        span_from=ask.span_from,
        source=ask.spec.name,
    )
