"""The screens that can be looked at: what each of them is made of."""

from __future__ import annotations

import logging
from asyncio import to_thread
from collections.abc import Mapping
from typing import Any

from starlette.responses import JSONResponse, RedirectResponse, Response

from scheduler.errors import CouldNot
from scheduler.html.static_files import static_file
from scheduler.publish.files import refuse_other_shape
from scheduler.web.visit import Visit, turn

log = logging.getLogger("rowwater.page")
OTHER_SHAPE = (LookupError, TypeError, ValueError, AttributeError)
MOST_MINUTES = 1440.0
USUAL_MINUTES = 10.0
A_WEEK_S = 7 * 86400


async def today(visit: Visit) -> Response:
    page = visit.page.pages.today()
    return _of_today(visit, "today", page, page)


def _of_today(visit: Visit, name: str, values: Any, page: Mapping[str, Any]) -> Response:
    """A screen that is made of today.json: CouldNot where another version wrote it."""
    try:
        return visit.show(name, values)
    except OTHER_SHAPE:
        refuse_other_shape(visit.page.settings.data, page)
        raise


async def zone(visit: Visit) -> Response:
    name = _known_zone(visit)
    if name is None:
        return visit.sorry(404, "no such zone in today's plan")
    why = await _printed(visit, "why", "--season", "--", name)
    page = visit.page.pages.today()
    return _of_today(visit, "zone", {"today": page, "why": why}, page)


async def week(visit: Visit) -> Response:
    return visit.show("week", await _printed(visit, "week", *_dated(visit)))


async def weather(visit: Visit) -> Response:
    return visit.show("weather", await _printed(visit, "weather", *_dated(visit)))


async def water(visit: Visit) -> Response:
    return visit.show("water", await _printed(visit, "log"))


async def check(visit: Visit) -> Response:
    return visit.show("check", await _printed(visit, "check", "--offline", *_dated(visit)))


async def confirm(visit: Visit) -> Response:
    """Asks once more before a valve opens, and shows the cap. The zone stands in the path, or was chosen."""
    name = _known_zone(visit)
    if name is None:
        return visit.sorry(404, "no such zone in today's plan")
    minutes = _minutes(visit.request.query_params.get("minutes", ""))
    if minutes is None:
        return visit.sorry(400, "for how many minutes? A number from 1 to 1440 is needed")
    page = visit.page.pages.today()
    return _of_today(visit, "confirm", {"page": page, "zone": name, "minutes": minutes}, page)


async def pair(visit: Visit) -> Response:
    return visit.show("pair", {"code": visit.request.query_params.get("code", "")[:20], "why": None})


async def live(visit: Visit) -> Response:
    """What is open, and until when, for the script."""
    return JSONResponse(visit.live())


async def static(visit: Visit) -> Response:
    try:
        content, kind = static_file(visit.request.path_params["name"])
    except LookupError:
        return visit.sorry(404, "no such page")
    return Response(content, media_type=kind, headers={"cache-control": f"private, max-age={A_WEEK_S}"})


async def _printed(visit: Visit, *words: str) -> Any:
    async with turn(visit.page.reading):
        return await to_thread(visit.page.pages.printed, *words)


def _dated(visit: Visit) -> tuple[str, ...]:
    """The example's today is not the commands'."""
    at = visit.page.settings.example_of
    return () if at is None else ("--date", at.date().isoformat())


def _known_zone(visit: Visit) -> str | None:
    request = visit.request
    name = str(request.path_params.get("zone", request.query_params.get("zone", "")))
    try:
        zones = [str(one["zone"]) for one in visit.page.pages.today()["zones"]]
    except OTHER_SHAPE:
        refuse_other_shape(visit.page.settings.data, visit.page.pages.today())
        raise
    return name if name in zones else None


def _minutes(typed: str) -> float | None:
    try:
        minutes = float(typed or USUAL_MINUTES)
    except ValueError:
        return None
    return minutes if 0 < minutes <= MOST_MINUTES else None


def back(visit: Visit, otherwise: str = "/") -> Response:
    """303 to the screen that the form stood on: a path of this page, whatever was sent."""
    here = visit.form.get("here", "")
    own = here.startswith("/") and not here.startswith(("//", "/\\", "/do/")) and here.isprintable()
    return RedirectResponse(here if own and len(here) <= 300 else otherwise, 303)


def unreadable(visit: Visit, error: CouldNot) -> Response:
    """Records that are locked or gone, a page that is missing or broken: said, and to be tried again.

    To a stranger no more than that: the words name files of this computer.
    """
    log.warning("%s", error.text)
    if visit.phone is None:
        answer = visit.sorry(503, "this page cannot be shown now: its log says why")
    else:
        answer = visit.sorry(503, error.text, error.hint)
    answer.headers["retry-after"] = "10"
    return answer
