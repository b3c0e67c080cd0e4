"""What bounds a client before anything of its request is looked at: how much and how often.

ASGI middleware (https://asgi.readthedocs.io). How long a connection may take is the server's matter.
"""

from __future__ import annotations

import time
from collections import OrderedDict

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 8192
"""A form has a few words; a photo is sent away at its first line."""
MOST_TARGET_BYTES = 2000
RATE_PER_S = 4.0
BURST = 60.0
"""A person who hurries: a screen is four requests at first, then one every few seconds."""
MOST_CLIENTS = 500
UNCOUNTED = ("/do/stop", "/do/stop-all")
"""Closing waits for nobody, also where several phones share one address."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # not no-referrer: under that a browser sends the page's own forms with "Origin: null" (Fetch standard,
    # 3.2, "append a request Origin header")
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class OurHeaders:
    """The same headers on every answer, errors included; a handler's own cache-control wins."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, with_headers)


class Bounded:
    """Sends away what is too large by its own word, and who asks too often."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._rate = Rate()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        client = scope.get("client") or ("", 0)
        if why := _too_large(scope):
            await _away(*why)(scope, receive, send)
        elif scope["path"] not in UNCOUNTED and not self._rate.allows(str(client[0]), time.monotonic()):
            await _away(429, "too many requests: wait a little, then look again")(scope, receive, send)
        else:
            await self._app(scope, receive, send)


def _too_large(scope: Scope) -> tuple[int, str] | None:
    if len(scope.get("raw_path", b"")) + len(scope.get("query_string", b"")) > MOST_TARGET_BYTES:
        return 414, "too long an address"
    length = Headers(scope=scope).get("content-length", "0")
    if not length.isascii() or not length.isdigit() or len(length) > 20:
        return 400, "no length"
    return (413, "too large: a form has a few words") if int(length) > MOST_BODY_BYTES else None


def _away(status: int, text: str) -> PlainTextResponse:
    """The connection ends with it: what is still under way is not waited for."""
    return PlainTextResponse(text + "\n", status, {"connection": "close", "retry-after": "10"})


class Rate:
    """A bucket of requests a client, refilled at `RATE_PER_S`; the clients longest silent are forgotten."""

    def __init__(self) -> None:
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, client: str, now: float) -> bool:
        left, at = self._left.pop(client, (BURST, now))
        left = min(BURST, left + (now - at) * RATE_PER_S)
        self._left[client] = (max(left - 1, 0.0), now)
        while len(self._left) > MOST_CLIENTS:
            self._left.popitem(last=False)
        return left >= 1
