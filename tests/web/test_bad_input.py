"""Forms and addresses of every kind: no 500, no traceback, nothing not meant; records locked or gone."""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from web.browser import Browser, forms
from web.conftest import Shed, settings_of

from scheduler.service.ask import NoService
from scheduler.service.child import Ended
from scheduler.service.noting import note
from scheduler.web import ask as web_ask
from scheduler.web import copied, limits
from scheduler.web.app import WAYS, Way, application
from scheduler.web.limits import BURST, MOST_BODY_BYTES, RATE_PER_S, Rate
from scheduler.web.pages import Pages
from scheduler.web.phones import Phones

FIELDS = (
    "run", "how", "amount", "unit", "day", "until", "days", "zone", "minutes", "chore", "when", "sure",
    "here", "code", "name",
)  # fmt: skip
KNOWN = (
    "beans", "2015-07-08 beans", "2015-07-08", "planned", "minutes", "none", "flush", "tape", "later", "mm",
    "12", "-1", "nan", "inf", "1e400", "0", "9999-12-31", "0001-01-01", "--yes", "--config=/etc/passwd",
    "../../etc", "//x", "/", "", " ", "\x00", "\u202e", "a\r\nset-cookie: x=1", "<script>alert(1)</script>",
    "{{ 7*7 }}", "1" * 400,
)  # fmt: skip
VALUES = st.sampled_from(KNOWN) | st.text(max_size=40)
FORM = st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=8)
POSTS = [way.path for way in WAYS if way.method == "POST" and way.path != "/do/leave"]


@pytest.fixture
def called(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The words of every child that would have been started."""
    found: list[list[str]] = []

    def run(argv: Any, limit_s: float) -> Ended:
        for word in argv:
            assert "\0" not in word
            word.encode()
        found.append(list(argv))
        return Ended(0, "noted\n", "")

    def nobody(*_: object) -> Any:
        raise NoService("nobody")

    monkeypatch.setattr(web_ask, "ask", nobody)
    monkeypatch.setattr(web_ask, "note", lambda *args: note(*args, run=run))
    monkeypatch.setattr(web_ask, "run_child", run)
    return found


@pytest.fixture
def browser(shed: Shed, called: object, monkeypatch: pytest.MonkeyPatch) -> Browser:
    monkeypatch.setattr(limits.Rate, "allows", lambda *_: True)
    return shed.browser("water")


FUZZ = settings(
    max_examples=int(os.environ.get("ROWWATER_TEST_FUZZ", "60")), deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip


def told(browser: Browser, path: str, fields: dict[str, str]) -> tuple[int, str]:
    keys = {key: forms(browser.get("/").body)[0].fields[key] for key in ("csrf", "once")}
    answer = browser.post(path, {**fields, **keys})
    assert "Traceback" not in answer.body
    assert "\r" not in answer.headers.get("location", "")
    return answer.status, answer.headers.get("location", "")


@FUZZ
@given(path=st.sampled_from(POSTS), fields=FORM)
@example("/do/given", {"run": "2015-07-08 --yes", "how": "planned"})
@example("/do/rain", {"amount": "--yes", "unit": "mm"})
@example("/do/hold", {"zone": "--help", "days": "2"})
def test_no_form_makes_it_stumble(
    browser: Browser, called: list[list[str]], path: str, fields: dict[str, str]
) -> None:
    """Whatever is typed stands behind `--`: it is no option of the command that it is handed to."""
    called.clear()
    status, location = told(browser, path, fields)
    assert status in (303, 403 if path == "/pair" else 303)
    assert not location.startswith("//")
    for words in called:
        typed = words[words.index("--") + 1 :] if "--" in words else []
        options = [word for word in words[: len(words) - len(typed)] if word.startswith("--")]
        known = {
            "--config",
            "--data",
            "--",
            "--date",
            "--as-planned",
            "--not-given",
            "--yes",
            "--since",
            "--at",
        }
        assert set(options) <= known


SHOWN_BY_A_CHILD = ("/week", "/weather", "/water", "/check")


@FUZZ
@given(
    way=st.sampled_from([way for way in WAYS if way.path not in (*SHOWN_BY_A_CHILD, "/do/leave")]),
    part=VALUES, query=VALUES,
)  # fmt: skip
def test_no_address_makes_it_stumble(browser: Browser, way: Way, part: str, query: str) -> None:
    if way.path == "/zone/{zone}" and part == "beans":
        return
    address = way.path.format(zone=quote(part, safe=""), name=quote(part, safe=""))
    for method in ("GET", "POST"):
        answer = browser.call(method, f"{address}?zone={quote(query)}&minutes={quote(query)}", b"", {})
        assert answer.status < 500, answer.body
        assert "Traceback" not in answer.body


KINDS = (
    "application/x-www-form-urlencoded", "multipart/form-data", "multipart/form-data; boundary=x",
    "application/json", "", "\u00e9",
)  # fmt: skip


@FUZZ
@given(body=st.binary(max_size=300), kind=st.sampled_from(KINDS), head=st.binary(max_size=40))
def test_no_body_makes_it_stumble(browser: Browser, body: bytes, kind: str, head: bytes) -> None:
    own = {"content-type": kind, "origin": "http://127.0.0.1:8008", "accept": head.decode("latin-1")}
    for content in (
        body,
        b"--x\r\nContent-Disposition: form-data; name=csrf\r\n\r\n" + body,
        b"csrf=%" + body,
    ):
        answer = browser.call("POST", "/do/rain", content, own)
        assert answer.status in (400, 403)
        assert "Traceback" not in answer.body


def test_a_file_in_a_form_is_not_taken(browser: Browser) -> None:
    body = b'--x\r\nContent-Disposition: form-data; name="csrf"; filename="a"\r\n\r\nhello\r\n--x--\r\n'
    own = {"content-type": "multipart/form-data; boundary=x", "origin": "http://127.0.0.1:8008"}
    assert browser.call("POST", "/do/rain", body, own).status in (400, 403)


# --- how much, how often ---


def test_a_photo_is_sent_away_by_its_length(shed: Shed) -> None:
    browser = shed.browser("water")
    own = {"origin": "http://127.0.0.1:8008", "content-type": "application/x-www-form-urlencoded"}
    answer = browser.call("POST", "/do/rain", b"x" * 10, {**own, "content-length": "4000000"})
    assert (answer.status, answer.headers["connection"]) == (413, "close")


def test_and_while_it_comes_where_it_does_not_say_its_length(shed: Shed) -> None:
    browser = shed.browser("water")
    keys = forms(browser.get("/").body)[0].fields
    answer = browser.post("/do/rain", {**keys, "amount": "x" * (MOST_BODY_BYTES + 1)}, content_length="0")
    assert answer.status == 413


def test_too_long_an_address(shed: Shed) -> None:
    assert shed.browser("look").get("/?" + "x" * 3000).status == 414


def test_who_asks_too_often_waits_and_others_do_not(shed: Shed) -> None:
    fast, other = Browser(shed.app, client="192.0.2.1"), Browser(shed.app, client="192.0.2.2")
    said = [fast.get("/pair").status for _ in range(int(BURST) + 10)]
    assert said[: int(BURST)] == [200] * int(BURST)
    assert said[-1] == 429
    assert other.get("/pair").status == 200


def test_a_stop_is_never_too_often(shed: Shed, called: list[object]) -> None:
    browser = shed.browser("water")
    keys = forms(browser.get("/").body)[0].fields
    assert [browser.get("/live").status for _ in range(int(BURST) + 10)][-1] == 429
    assert browser.post("/do/stop-all", keys).status == 303
    assert called


def test_the_bucket_fills_again_and_forgets_the_longest_silent() -> None:
    rate = Rate()
    assert sum(rate.allows("a", 0.0) for _ in range(200)) == BURST
    assert not rate.allows("a", 0.1)
    assert sum(rate.allows("a", 10.0) for _ in range(200)) == pytest.approx(10 * RATE_PER_S, abs=1)
    for n in range(limits.MOST_CLIENTS + 50):
        rate.allows(f"b{n}", 10.0)
    assert len(rate._left) == limits.MOST_CLIENTS


# --- records that cannot be read ---


@pytest.mark.parametrize(
    ("text", "said"),
    [(None, "no plan yet"), ("{", "is broken"), ("[]", "holds no page"), ("{}", "is broken"),
     ('{"zones": 3, "garden": "x", "made_at": 5}', "is broken"), ("\x00" * 50, "is broken")],
)  # fmt: skip
def test_a_today_json_that_is_missing_or_broken_is_told(shed: Shed, text: str | None, said: str) -> None:
    browser = shed.browser("water")
    path = shed.data / "today.json"
    path.unlink()
    if text is not None:
        path.write_text(text)
    for address in ("/", "/zone/beans", "/confirm/water/beans"):
        answer = browser.get(address)
        assert answer.status == 503, address
        assert said in answer.body
        assert "retry-after" in answer.headers
    assert browser.get("/live").status == 200
    assert json.loads(browser.get("/live").body)["open"] == []


def test_stop_all_works_while_the_morning_cannot_be_shown(shed: Shed, called: list[list[str]]) -> None:
    browser = shed.browser("note")
    page = browser.get("/")
    (shed.data / "today.json").write_text("{")
    (shed.settings.folder / "used.json").mkdir()  # nothing can be written down about a form either
    assert browser.send(page, "/do/stop-all").status == 303
    assert called[0][-1] == "stop"


def test_records_that_are_locked_or_gone_are_told_and_left(
    shed: Shed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copied, "PATIENCE_S", 0.2)
    pages = Pages(shed.settings, own_copy=True)
    app = application(shed.settings, pages)
    browser = Browser(app)
    browser.cookies = shed.browser("look").cookies
    database = shed.data / "rowwater.db"
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = DELETE")
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        answer = browser.get("/water")
    assert answer.status == 503
    assert "locked" in answer.body
    database.unlink()
    answer = browser.get("/water")
    assert answer.status == 503
    assert "is gone" in answer.body
    assert not database.exists(), "a screen makes no new records"


def test_a_folder_that_cannot_be_written_pairs_nobody_and_says_so(shed: Shed, tmp_path: Path) -> None:
    closed = settings_of(tmp_path, folder=tmp_path / "garden.yaml" / "page")
    answer = Browser(application(closed)).get("/pair")
    assert answer.status == 503
    assert "Traceback" not in answer.body
    with pytest.raises(Exception, match="cannot be"):
        Phones(closed.folder).new_code("look", None, shed.settings.now())


def test_a_program_s_mistake_shows_no_traceback(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    browser = shed.browser("look")

    def wrong(*_: object) -> Any:
        raise RuntimeError("secret words of the program")

    monkeypatch.setattr("scheduler.web.visit.screen", wrong)
    with pytest.raises(RuntimeError, match="secret words"):  # the server's log gets it
        browser.get("/")


def test_a_zone_renamed_since_the_plan_is_shown_as_it_was_planned(shed: Shed) -> None:
    browser = shed.browser("water")
    garden = shed.folder / "garden.yaml"
    garden.write_text(garden.read_text().replace("  squash:", "  pumpkins:"))
    assert "squash" in browser.get("/").body
    assert "garden.yaml no longer has squash" in browser.get("/zone/squash").body
    for answer in (browser.get("/week"), browser.get("/water"), browser.get("/zone/beans")):
        assert (answer.status, "Traceback" in answer.body) == (200, False)
    assert browser.get("/zone/pumpkins").status == 404
    assert browser.get("/confirm/water/squash?minutes=5").status == 200
