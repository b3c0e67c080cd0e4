"""The page's process: its socket, handed over by the service manager or its own, and when it ends."""

from __future__ import annotations

import asyncio
import errno
import socket
import time
from collections.abc import Mapping
from ipaddress import ip_address
from typing import Any

from starlette.applications import Starlette
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn import Config, Server

from scheduler.errors import CouldNot
from scheduler.web import connection
from scheduler.web.door import Door
from scheduler.web.settings import Settings

IDLE_S = 15 * 60.0
MOST_CONNECTIONS = 48
REST_S = 20  # a connection between two requests
BACKLOG = 32
FIRST_HANDED = 3  # sd_listen_fds(3)


def handed_over(environ: Mapping[str, str], process: int) -> socket.socket | None:
    """The listening socket that the service manager has handed to this process; None: there is none."""
    if environ.get("LISTEN_PID") != str(process) or environ.get("LISTEN_FDS", "0") == "0":
        return None
    return socket.socket(fileno=FIRST_HANDED)


def own_socket(settings: Settings) -> socket.socket:
    """CouldNot where the address is not this computer's, or is taken."""
    host, port = settings.address
    family = socket.AF_INET6 if ip_address(host).version == 6 else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise CouldNot(f"{settings.listen}: {_why(error)}", hint=_HINTS.get(error.errno or 0)) from error


_HINTS = {
    errno.EADDRINUSE: "another page may run there; else give another port: page.listen in garden.yaml",
    errno.EADDRNOTAVAIL: "ip address lists this computer's; page.listen in garden.yaml names one of them",
    errno.EACCES: "ports below 1024 are for root: give one above, such as 8008",
}


def _why(error: OSError) -> str:
    words = {
        errno.EADDRINUSE: "that port is taken by another program",
        errno.EADDRNOTAVAIL: "that address is none of this computer's",
        errno.EACCES: "this user may not listen there",
    }
    return words.get(error.errno or 0, error.strerror or str(error))


class Loop(asyncio.SelectorEventLoop):
    """Python gives a TLS handshake a minute."""

    async def create_server(self, *args: Any, **more: Any) -> asyncio.Server:
        if more.get("ssl") is not None:
            more["ssl_handshake_timeout"] = connection.WHOLE_IN_S
        return await super().create_server(*args, **more)


class Ending(Server):
    """Ends where nobody asked anything for so long. None: never."""

    def __init__(self, config: Config, seen: LastSeen, idle_s: float | None) -> None:
        super().__init__(config)
        self._seen = seen
        self._idle_s = idle_s

    async def on_tick(self, counter: int) -> bool:
        if self._idle_s is not None and time.monotonic() - self._seen.at > self._idle_s:
            return True
        return await super().on_tick(counter)


class LastSeen:
    """When the last request began or ended."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self.at = time.monotonic()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.at = time.monotonic()
        try:
            await self._app(scope, receive, send)
        finally:
            self.at = time.monotonic()


def serve(app: Starlette, settings: Settings, door: socket.socket, idle_s: float | None) -> None:
    """Answers until it is told to end, or nobody asked for `idle_s` seconds."""
    made(app, settings, idle_s).run([Door(door)])


def made(app: Starlette, settings: Settings, idle_s: float | None) -> Ending:
    """The server of an application, with all that bounds it."""
    seen = LastSeen(app)
    config = Config(
        seen, http=connection.Connection, ws="none", loop=f"{__name__}:{Loop.__name__}", lifespan="off",
        log_config=None, access_log=False, server_header=False, proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS, backlog=BACKLOG, timeout_keep_alive=REST_S,
        timeout_graceful_shutdown=5,
        ssl_certfile=settings.certificate, ssl_keyfile=settings.key,
    )  # fmt: skip
    return Ending(config, seen, idle_s)
