"""A browser without a window: keeps cookies, sends forms as they stand, calls the application itself."""

from __future__ import annotations

import asyncio
import html.parser
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urlencode

from starlette.types import ASGIApp, Message

HOST = "127.0.0.1:8008"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: str
    cookies: tuple[str, ...] = ()  # Set-Cookie, each as sent


@dataclass
class Form:
    """One form of a page: where it goes, and its fields."""

    action: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)


class _Forms(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {key: value or "" for key, value in attrs}
        if tag == "form":
            self.found.append(Form(given.get("action", ""), given.get("method", "get")))
        elif tag in ("input", "select", "button") and given.get("name") and self.found:
            self.found[-1].fields.setdefault(given["name"], given.get("value", ""))


def forms(page: str) -> list[Form]:
    parser = _Forms()
    parser.feed(page)
    return parser.found


@dataclass
class Browser:
    """`client`: the address it calls from."""

    app: ASGIApp
    host: str = HOST
    scheme: str = "http"
    client: str = "192.0.2.44"
    cookies: dict[str, str] = field(default_factory=dict)

    def get(self, path: str, **headers: str) -> Answer:
        return self.call("GET", path, b"", headers)

    def post(self, path: str, fields: Mapping[str, str], **headers: str) -> Answer:
        own = {
            "content-type": "application/x-www-form-urlencoded",
            "origin": f"{self.scheme}://{self.host}",
        }
        return self.call("POST", path, urlencode(fields).encode(), {**own, **headers})

    def send(self, page: Answer, action: str, /, number: int = 0, **fields: str) -> Answer:
        """The form of a page that goes to `action`, with some fields filled in."""
        form = [one for one in forms(page.body) if one.action == action][number]
        return self.post(action, {**form.fields, **fields})

    def pair(self, code: str, name: str = "test phone") -> Answer:
        return self.send(self.get("/pair"), "/pair", code=code, name=name)

    def call(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        return asyncio.run(self._call(method, path, body, headers))

    async def _call(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        bare, _, query = path.partition("?")
        own = {"host": self.host, "content-length": str(len(body))}
        sent = own | {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        scope: dict[str, Any] = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": self.scheme, "path": re.sub("%([0-9A-Fa-f]{2})", lambda m: chr(int(m[1], 16)), bare),
            "raw_path": bare.encode(), "query_string": query.encode(), "root_path": "",
            "headers": [(k.lower().encode("latin-1"), v.encode("latin-1")) for k, v in sent.items()],
            "client": (self.client, 50000), "server": ("127.0.0.1", 8008), "state": {},
        }  # fmt: skip
        waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]
        said: list[Message] = []

        async def receive() -> Message:
            return waiting.pop(0) if waiting else {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            said.append(message)

        await self.app(scope, receive, send)
        return self._read(said)

    def _read(self, said: list[Message]) -> Answer:
        begin = next(one for one in said if one["type"] == "http.response.start")
        pairs = [(k.decode("latin-1").lower(), v.decode("latin-1")) for k, v in begin["headers"]]
        set_cookies = tuple(value for name, value in pairs if name == "set-cookie")
        for text in set_cookies:
            for name, morsel in SimpleCookie(text).items():
                if morsel["max-age"] == "0":
                    self.cookies.pop(name, None)
                else:
                    self.cookies[name] = morsel.value
        body = b"".join(one.get("body", b"") for one in said if one["type"] == "http.response.body")
        return Answer(begin["status"], dict(pairs), body.decode(errors="replace"), set_cookies)
