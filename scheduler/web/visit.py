"""One request with what is known of it: whose page, which phone, what it may."""

from __future__ import annotations

import secrets
from asyncio import Semaphore, wait_for
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from importlib import import_module
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from scheduler.clock import site_now
from scheduler.errors import CouldNot
from scheduler.html.screens.frame import Frame, Live, live
from scheduler.web.ask import Answer
from scheduler.web.form_keys import Once, csrf_of
from scheduler.web.pages import Pages
from scheduler.web.phones import Phone, Phones
from scheduler.web.settings import Settings

TURN_S = 20.0
VISITOR = "rowwater-visitor"
A_YEAR_S = 365 * 86400


@dataclass(slots=True)
class Page:
    """What the process keeps."""

    settings: Settings
    phones: Phones
    pages: Pages
    told: dict[int, Answer] = field(default_factory=dict)  # by phone: shown once, on its next screen
    reading: Semaphore = field(default_factory=lambda: Semaphore(1))
    """One child at a time: several phones at once take no more memory, and no more threads, than one."""
    asking: Semaphore = field(default_factory=lambda: Semaphore(1))
    """One thing after the other, but for stops: the service has a few places, and no phone takes them all."""

    def clock(self) -> datetime:
        """Of codes, phones and forms: it goes on also where the example's time stands still."""
        return site_now(self.settings.timezone)

    def once(self) -> Once:
        return Once(self.settings.folder, self.phones.secret)

    def cookie(self, name: str = "rowwater") -> str:
        """Of this garden alone: two pages on one computer share their cookies, whatever their port.

        Under TLS with the prefix that no other site and no page without TLS can set (RFC 6265bis, 4.1.3.2).
        """
        own = csrf_of(self.phones.secret, "cookie")[:8]
        return f"{'__Host-' if self.settings.tls else ''}{name}-{own}"


@asynccontextmanager
async def turn(of: Semaphore) -> AsyncIterator[None]:
    """TimeoutError where it does not come within `TURN_S`."""
    await wait_for(of.acquire(), TURN_S)
    try:
        yield
    finally:
        of.release()


@dataclass(slots=True)
class Visit:
    request: Request
    page: Page
    phone: Phone | None
    form: Mapping[str, str] = field(default_factory=dict)
    visitor: str | None = None  # who is not paired: the cookie that his form is bound to

    @property
    def csrf(self) -> str:
        if self.phone is not None:
            return csrf_of(self.page.phones.secret, self.phone.token_hash)
        if self.visitor is None:
            self.visitor = self.request.cookies.get(self.page.cookie(VISITOR)) or secrets.token_urlsafe(16)
        return csrf_of(self.page.phones.secret, f"visitor {self.visitor}")

    @property
    def here(self) -> str:
        url = self.request.url
        return url.path + (f"?{url.query}" if url.query else "")

    def show(self, name: str, values: object, status: int = 200) -> Response:
        """A screen of these values, in its frame."""
        told = None
        if self.phone is not None and "x-live" not in self.request.headers:  # the script shows no such line
            told = self.page.told.pop(self.phone.number, None)
        answer = HTMLResponse(screen(name)(values, self._frame(told)), status)
        if self.phone is None and self.visitor is not None:
            self.keep_cookie(answer, VISITOR, self.visitor, 3600)
        return answer

    def sorry(self, status: int, text: str, hint: str | None = None) -> Response:
        return self.show("sorry", {"status": status, "text": text, "hint": hint}, status)

    def keep_cookie(self, answer: Response, name: str, value: str, seconds: int = A_YEAR_S) -> None:
        answer.set_cookie(
            self.page.cookie(name), value, max_age=seconds, path="/", httponly=True, samesite="strict",
            secure=self.page.settings.tls,
        )  # fmt: skip

    def live(self) -> Live:
        """For the script, which must not use up what is told once."""
        return live(self._frame(None))

    def _frame(self, told: Answer | None) -> Frame:
        page, phone = self.page, self.phone
        now = page.pages.live()
        csrf = ""
        with suppress(CouldNot):  # where the page's own folder cannot be used, that is what this screen says
            csrf = self.csrf
        return Frame(
            garden=now.garden or page.settings.garden,
            phone=None if phone is None else phone.name,
            may="look" if phone is None or page.settings.example_of else phone.may,
            csrf=csrf,
            once=lambda: page.once().fresh(page.clock()),
            told=None if told is None else told.said,
            open=() if phone is None else now.open,
            here=self.here,
            now=page.settings.now(),
            display=now.display,
            made_at=now.made_at,
            failed=told is not None and not told.done,
        )


def screen(name: str) -> Callable[[Any, Frame], str]:
    """Imported when it is first shown: the first answer of a cold start waits for its own alone."""
    found: Callable[[Any, Frame], str] = getattr(import_module(f"scheduler.html.screens.{name}"), name)
    return found
