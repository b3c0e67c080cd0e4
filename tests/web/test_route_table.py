"""Every route, without what it asks for: refused, and nothing done. The table is made from the route list."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from web.browser import HOST, Browser, forms
from web.conftest import Printed, Shed, settings_of

from scheduler.html.screens.frame import zone_path
from scheduler.web import done, shown
from scheduler.web.app import WAYS, Way, application
from scheduler.web.ask import Answer
from scheduler.web.phones import RIGHTS

GUARDED = [way for way in WAYS if way.needs is not None]
POSTS = [way for way in WAYS if way.method == "POST"]
FIELDS = {
    "run": "2015-07-08 tomatoes", "how": "planned", "amount": "12", "unit": "mm", "zone": "beans",
    "minutes": "5", "days": "2", "chore": "flush", "code": "12345678",
}  # fmt: skip


def named(way: Way) -> str:
    return f"{way.method} {way.path}"


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What would have been done."""
    found: list[Any] = []

    def ask(_: object, request: Any) -> Answer:
        found.append(request)
        return Answer(True, "done")

    monkeypatch.setattr(done, "asked", ask)
    monkeypatch.setattr("scheduler.web.phones.Phones.leave", lambda *_: found.append("leave"))
    return found


def call(browser: Browser, way: Way, **headers: str) -> int:
    """As the page itself would ask it: with a form of this phone, whole and fresh."""
    path = way.path.format(zone="beans", name="style.css")
    if way.method == "GET":
        return browser.get(f"{path}?zone=beans&minutes=5", **headers).status
    return browser.post(path, {**keys(browser), **FIELDS, "here": "/"}, **headers).status


def keys(browser: Browser) -> dict[str, str]:
    """The hidden fields of the first form on the first screen."""
    found = forms(browser.get("/").body)
    return {key: found[0].fields[key] for key in ("csrf", "once")}


def test_the_application_has_no_other_routes(shed: Shed) -> None:
    routes = {(method, route.path_format) for route in shed.app.routes for method in route.methods}
    assert routes - {("HEAD", path) for _, path in routes} == {(way.method, way.path) for way in WAYS}


@pytest.mark.parametrize("way", GUARDED, ids=named)
def test_it_is_done_for_a_phone_that_may(
    shed: Shed, way: Way, asked: list[Any], printed: Printed, monkeypatch: Any
) -> None:
    """Else the refusals below would say nothing."""

    async def in_this_process(_: object, *words: str) -> Any:
        await asyncio.sleep(0)
        return printed(*words)

    monkeypatch.setattr(shown, "_printed", in_this_process)
    assert call(shed.browser(way.needs), way) == (303 if way.method == "POST" else 200)
    assert len(asked) == (way.method == "POST")


@pytest.mark.parametrize("way", GUARDED, ids=named)
def test_without_a_token_it_is_refused(shed: Shed, way: Way, asked: list[Any]) -> None:
    assert call(Browser(shed.app), way) == 401
    assert asked == []


@pytest.mark.parametrize("way", GUARDED, ids=named)
def test_the_token_of_another_garden_is_refused(
    shed: Shed, way: Way, asked: list[Any], tmp_path: Path
) -> None:
    other = settings_of(tmp_path, data=tmp_path / "other", folder=tmp_path / "other" / "page")
    other.folder.mkdir(parents=True)
    stranger = Shed(tmp_path, other, application(other)).browser("water")
    own = Browser(shed.app)
    own.get("/")
    (token,) = (value for name, value in stranger.cookies.items() if "visitor" not in name)
    visitor = next(name for name in own.cookies if "visitor" in name)
    own.cookies[visitor.replace("rowwater-visitor", "rowwater")] = token
    assert call(own, way) == 401
    assert asked == []


@pytest.mark.parametrize("way", [way for way in GUARDED if way.needs != RIGHTS[0]], ids=named)
def test_a_right_too_small_is_refused(shed: Shed, way: Way, asked: list[Any]) -> None:
    assert way.needs is not None
    smaller = RIGHTS[RIGHTS.index(way.needs) - 1]
    assert call(shed.browser(smaller), way) == 403
    assert asked == []


HOSTS = ("evil.example", "localhost.evil.example", "", "127.0.0.2:8008", "a@127.0.0.1", "*", "127.0.0.1.")


@pytest.mark.parametrize("way", WAYS, ids=named)
def test_a_forged_host_is_refused(shed: Shed, way: Way, asked: list[Any]) -> None:
    """DNS rebinding: a name of somebody else's comes to mean this computer."""
    browser = shed.browser("water")
    for host in HOSTS:
        assert call(browser, way, host=host, origin=f"http://{host}") == 400, host
    assert asked == []


ORIGINS = (
    "http://evil.example", "null", "", "https://127.0.0.1:8008", "http://127.0.0.1:8009", "http://127.0.0.1",
    "127.0.0.1:8008", f"http://{HOST}.evil.example", f"http://evil.example/{HOST}",
)  # fmt: skip


@pytest.mark.parametrize("way", POSTS, ids=named)
def test_a_forged_origin_is_refused(shed: Shed, way: Way, asked: list[Any]) -> None:
    browser = shed.browser("water")
    for origin in ORIGINS:
        assert call(browser, way, origin=origin) == 403, origin
    assert asked == []


@pytest.mark.parametrize("way", POSTS, ids=named)
def test_a_form_without_this_phone_s_key_is_refused(shed: Shed, way: Way, asked: list[Any]) -> None:
    browser = shed.browser("water")
    whole = {**keys(browser), **FIELDS, "here": "/"}
    for csrf in (None, "", "0" * 64, "\u00e9", keys(shed.browser("water", "Bob's"))["csrf"]):
        sent = {key: value for key, value in whole.items() if key != "csrf"}
        sent |= {} if csrf is None else {"csrf": csrf}
        assert browser.post(way.path, sent).status == 403, csrf
    assert asked == []


@pytest.mark.parametrize("way", WAYS, ids=named)
def test_no_other_method_is_answered(shed: Shed, way: Way) -> None:
    path = way.path.format(zone="beans", name="style.css")
    known = {one.method for one in WAYS if one.path == way.path}
    for method in {"GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"} - known:
        answer = shed.browser("water").call(method, path, b"", {})
        assert answer.status == 405, method
        assert "Traceback" not in answer.body


@pytest.mark.parametrize("way", [way for way in POSTS if way.once], ids=named)
def test_a_form_sent_twice_is_done_once_and_says_so(shed: Shed, way: Way, asked: list[Any]) -> None:
    browser = shed.browser("water")
    sent = {**keys(browser), **FIELDS, "here": "/"}
    assert [browser.post(way.path, sent).status for _ in range(2)] == [303, 303]
    assert len(asked) == 1
    assert "sent twice" in browser.get("/").body


@pytest.mark.parametrize("way", WAYS, ids=named)
def test_every_answer_has_the_same_headers(shed: Shed, way: Way, asked: list[Any]) -> None:
    answer = Browser(shed.app).call(way.method, way.path.format(zone="beans", name="style.css"), b"", {})
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["cache-control"] == (
        "private, max-age=604800" if "static" in way.path else "no-store"
    )
    assert "server" not in answer.headers


def test_a_zone_whose_name_holds_a_slash_has_its_screen(
    shed: Shed, printed: Printed, monkeypatch: Any
) -> None:
    name = "beans/north 50%?"
    today = shed.data / "today.json"
    today.write_text(today.read_text().replace('"beans"', json.dumps(name)))

    async def in_this_process(*_: object) -> Any:
        await asyncio.sleep(0)
        return {**printed("why", "--season", "--", "beans"), "zone": name}

    monkeypatch.setattr(shown, "_printed", in_this_process)
    phone = shed.browser()
    assert phone.get(zone_path(name)).status == 200
    assert phone.get(f"{zone_path(name).replace('/zone/', '/confirm/water/')}?minutes=5").status == 200
