"""The page as an application: its routes, and what every request must have before its route is followed."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TypeAlias
from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from scheduler.errors import CouldNot
from scheduler.web import done, shown
from scheduler.web.ask import Answer
from scheduler.web.form_keys import same
from scheduler.web.limits import MOST_BODY_BYTES, Bounded, OurHeaders
from scheduler.web.pages import Pages
from scheduler.web.phones import May, Phone, Phones, allows
from scheduler.web.settings import Settings
from scheduler.web.visit import Page, Visit

log = logging.getLogger("rowwater.page")
Handler: TypeAlias = Callable[[Visit], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Way:
    """One route. needs: what a phone must be allowed; None: also who is not paired.

    once: a form that counts once; a stop may be sent as often as one likes, and waits for no disk.
    """

    method: str
    path: str
    needs: May | None
    handler: Handler
    once: bool = True


WAYS = (
    Way("GET", "/", "look", shown.today),
    Way("GET", "/zone/{zone}", "look", shown.zone),
    Way("GET", "/week", "look", shown.week),
    Way("GET", "/weather", "look", shown.weather),
    Way("GET", "/water", "look", shown.water),
    Way("GET", "/check", "look", shown.check),
    Way("GET", "/confirm/water", "water", shown.confirm),
    Way("GET", "/confirm/water/{zone}", "water", shown.confirm),
    Way("GET", "/live", "look", shown.live),
    Way("GET", "/pair", None, shown.pair),
    Way("GET", "/static/{name}", None, shown.static),
    Way("POST", "/pair", None, done.pair, once=False),
    Way("POST", "/do/given", "note", done.given),
    Way("POST", "/do/rain", "note", done.rain),
    Way("POST", "/do/hold", "note", done.hold),
    Way("POST", "/do/chore", "note", done.chore),
    Way("POST", "/do/water", "water", done.water),
    Way("POST", "/do/stop", "note", done.stop, once=False),
    Way("POST", "/do/stop-all", "note", done.stop_all, once=False),
    Way("POST", "/do/leave", "look", done.leave, once=False),
)


def application(settings: Settings, pages: Pages | None = None) -> Starlette:
    """pages: in place of those that children print."""
    page = Page(settings, Phones(settings.folder), pages or Pages(settings))
    return Starlette(
        routes=[Route(_pattern(way), _endpoint(page, way), methods=[way.method]) for way in WAYS],
        middleware=[
            Middleware(OurHeaders),
            Middleware(Bounded),
            Middleware(TrustedHostMiddleware, allowed_hosts=list(settings.hosts), www_redirect=False),
            Middleware(RequestBodyLimitMiddleware, max_body_size=MOST_BODY_BYTES),
        ],
        exception_handlers={HTTPException: partial(_no_such_way, page), Exception: partial(_failed, page)},
    )


def _pattern(way: Way) -> str:
    """A zone's name may hold a slash."""
    return way.path.replace("{zone}", "{zone:path}")


def _endpoint(page: Page, way: Way) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        visit = Visit(request, page, None)
        try:
            return await _followed(visit, way)
        except CouldNot as error:
            return shown.unreadable(visit, error)
        except TimeoutError:
            return visit.sorry(503, "too much is asked for at once: try again in a moment")

    return endpoint


async def _followed(visit: Visit, way: Way) -> Response:
    visit.phone = _phone(visit)
    if way.needs is not None and visit.phone is None:
        return _not_paired(visit, way)
    if way.needs is not None and visit.phone is not None and not allows(visit.phone.may, way.needs):
        more = f"rowwater page pair --may {way.needs}, on the machine, gives it more"
        return visit.sorry(403, f"this phone may {visit.phone.may} only", more)
    if way.method != "POST":
        return await way.handler(visit)
    if why := await _no_form_of_ours(visit):
        return visit.sorry(403, why, "nothing was done; load the page anew, and try again")
    if way.once and (why := visit.page.once().use(visit.form.get("once", ""), visit.page.clock())):
        return _told(visit, why)
    try:
        return await way.handler(visit)
    except done.Mistyped as error:
        return _told(visit, f"{error}: nothing was done")


def _phone(visit: Visit) -> Phone | None:
    return visit.page.phones.of(visit.request.cookies.get(visit.page.cookie()), visit.page.clock())


def _not_paired(visit: Visit, way: Way) -> Response:
    if way.path == "/live":
        return JSONResponse({"open": []}, 401)
    return visit.show("pair", {"code": "", "why": None}, 401)


async def _no_form_of_ours(visit: Visit) -> str | None:
    """Why a form is not taken: it does not come from this page, or not from this phone."""
    request = visit.request
    origin = urlsplit(request.headers.get("origin", ""))
    if (origin.scheme, origin.netloc) != (request.url.scheme, request.headers.get("host", "")):
        return "this form comes from another page"
    async with request.form(max_files=0, max_fields=20, max_part_size=MOST_BODY_BYTES) as form:
        visit.form = {key: value for key, value in form.items() if not isinstance(value, UploadFile)}
    if not same(visit.form.get("csrf", ""), visit.csrf):
        return "this form is not one of this phone's"
    return None


def _told(visit: Visit, why: str) -> Response:
    assert visit.phone is not None
    visit.page.told[visit.phone.number] = Answer(False, why)
    return shown.back(visit)


def _anybody(page: Page, request: Request) -> Visit:
    """A paired phone has *stop all* here too; where the phones cannot be read, nobody is known."""
    visit = Visit(request, page, None)
    with suppress(CouldNot):
        visit.phone = _phone(visit)
    return visit


async def _no_such_way(page: Page, request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "no such page", 405: "this cannot be asked for in that way", 413: "too large"}
    answer = _anybody(page, request).sorry(error.status_code, words.get(error.status_code, error.detail))
    answer.headers.update(error.headers or {})
    return answer


async def _failed(page: Page, request: Request, _: Exception) -> Response:
    """The server's log has the rest; nobody on the network does."""
    words = "a mistake of the program's: the log of the page has it"
    try:
        return _anybody(page, request).sorry(500, words)
    except Exception:
        log.exception("nor can that be shown")
        return PlainTextResponse(words + "\n", 500)
