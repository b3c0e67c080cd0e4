"""A phone is paired by a code that is shown on the machine alone, and is taken off there at once."""

from __future__ import annotations

import json
import stat
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from web.browser import Browser
from web.conftest import MORNING, Shed, rowwater, settings_of

from scheduler.errors import CouldNot
from scheduler.web.app import application
from scheduler.web.phones import FILE, MOST_PHONES, MOST_WRONG, Phones

At = Callable[[datetime], None]


def wrong_of(code: str) -> str:
    return f"{(int(code) + 1) % 10**8:08d}"


def test_a_code_pairs_one_phone_once(shed: Shed) -> None:
    code = shed.phones.new_code("note", None, MORNING)
    first, second = Browser(shed.app), Browser(shed.app)
    answer = first.pair(f"{code[:4]} {code[4:]}", "Ann's phone")
    assert (answer.status, answer.headers["location"]) == (303, "/")
    assert first.get("/").status == 200
    assert "may note" in first.get("/").body
    assert second.pair(code).status == 403
    assert second.get("/").status == 401
    assert [(one.number, one.name, one.may) for one in shed.phones.listed()] == [(1, "Ann's phone", "note")]


def test_a_name_given_on_the_machine_wins(shed: Shed) -> None:
    Browser(shed.app).pair(shed.phones.new_code("look", "kitchen", MORNING), "something else")
    assert [one.name for one in shed.phones.listed()] == ["kitchen"]


def test_a_code_is_good_for_ten_minutes(shed: Shed, at: At) -> None:
    code = shed.phones.new_code("note", None, MORNING)
    at(MORNING + timedelta(minutes=9, seconds=59))
    late = Browser(shed.app)
    page = late.get("/pair")
    at(MORNING + timedelta(minutes=10))
    assert late.send(page, "/pair", code=code).status == 403
    at(MORNING + timedelta(minutes=9, seconds=59))
    assert late.send(page, "/pair", code=code).status == 303


def test_five_wrong_tries_then_a_pause(shed: Shed, at: At) -> None:
    """From different phones too: a guesser has five of 100 million, then needs a new code."""
    code = shed.phones.new_code("water", None, MORNING)
    for n in range(MOST_WRONG):
        answer = Browser(shed.app, client=f"192.0.2.{n}").pair(wrong_of(code))
        assert answer.status == 403
    assert "10 min" in answer.body
    assert Browser(shed.app).pair(code).status == 403, "the right one too"
    at(MORNING + timedelta(minutes=9, seconds=50))
    assert "too many wrong codes" in Browser(shed.app).pair(code).body
    at(MORNING + timedelta(minutes=10, seconds=1))
    assert "not right" in Browser(shed.app).pair(code).body, "that code is gone for good"
    assert shed.phones.listed() == ()


def test_the_count_of_tries_outlives_the_process(shed: Shed) -> None:
    """Where the page ends and is started again by whoever asks next."""
    code = shed.phones.new_code("water", None, MORNING)
    for _ in range(MOST_WRONG):
        assert Browser(application(shed.settings)).pair(wrong_of(code)).status == 403
    assert "too many" in Browser(application(shed.settings)).pair(code).body


def test_whoever_stands_at_the_machine_ends_the_pause(shed: Shed) -> None:
    code = shed.phones.new_code("note", None, MORNING)
    for _ in range(MOST_WRONG):
        Browser(shed.app).pair(wrong_of(code))
    assert Browser(shed.app).pair(shed.phones.new_code("note", None, MORNING)).status == 303


@pytest.mark.parametrize(
    "typed", ["", "x" * 5000, "1234", "\u0661\u0662\u0663\u0664", "' or 1=1 --", "\u0000"]
)
def test_what_is_no_code_pairs_nobody(shed: Shed, typed: str) -> None:
    shed.phones.new_code("note", None, MORNING)
    assert Browser(shed.app).pair(typed).status == 403


# --- what is kept ---


def test_neither_token_nor_code_is_kept(shed: Shed) -> None:
    code = shed.phones.new_code("note", None, MORNING)
    kept = (shed.settings.folder / FILE).read_text()
    assert code not in kept
    browser = Browser(shed.app)
    browser.pair(shed.phones.new_code("note", None, MORNING))
    kept = (shed.settings.folder / FILE).read_text()
    (token,) = (value for name, value in browser.cookies.items() if "visitor" not in name)
    assert len(token) >= 43, "256 bits"
    assert token not in kept


def test_the_file_is_for_its_owner_alone(shed: Shed) -> None:
    shed.phones.new_code("note", None, MORNING)
    assert stat.S_IMODE((shed.settings.folder / FILE).stat().st_mode) == 0o600


def test_where_a_group_shares_the_folder_it_is_for_the_group(shed: Shed) -> None:
    """The service's: there the grower pairs phones as another user than the page's."""
    shed.settings.folder.chmod(0o2770)
    shed.phones.new_code("note", None, MORNING)
    assert stat.S_IMODE((shed.settings.folder / FILE).stat().st_mode) == 0o660


def test_the_cookie_is_for_this_page_alone(shed: Shed, tmp_path: Path) -> None:
    browser = Browser(shed.app)
    answer = browser.pair(shed.phones.new_code("note", None, MORNING))
    (cookie,) = answer.cookies
    assert {"HttpOnly", "Path=/", "SameSite=strict"} <= set(cookie.split("; "))
    assert "Secure" not in cookie
    assert not cookie.startswith("__Host-")
    assert "domain" not in cookie.lower()
    tls = settings_of(tmp_path, certificate=tmp_path / "c", key=tmp_path / "k")
    secure = Browser(application(tls), scheme="https")
    answer = secure.pair(Phones(tls.folder).new_code("note", None, MORNING))
    (cookie,) = answer.cookies
    assert cookie.startswith("__Host-rowwater-")
    assert {"HttpOnly", "Path=/", "SameSite=strict", "Secure"} <= set(cookie.split("; "))


# --- taking off ---


def test_a_phone_that_was_taken_off_is_refused_at_once(shed: Shed) -> None:
    ann, bob = shed.browser("water", "Ann's"), shed.browser("note", "Bob's")
    page = ann.get("/")
    places = ("--config", str(shed.settings.config), "--data", str(shed.data))
    status, said = rowwater(*places, "page", "phones")
    assert status == 0
    assert said.splitlines() == [
        "1  Ann's, may water, paired 2015-07-09, seen 2015-07-09",
        "2  Bob's, may note, paired 2015-07-09, seen 2015-07-09",
    ]
    assert rowwater(*places, "page", "phones", "--remove", "1") == (0, "phone 1 (Ann's) is taken off\n")
    assert ann.get("/").status == 401
    assert ann.send(page, "/do/stop-all").status == 401
    assert bob.get("/").status == 200
    status, said = rowwater(*places, "page", "phones", "--remove", "1")
    assert (status, said.splitlines()[0]) == (2, "rowwater: no phone 1 is paired")
    assert shed.browser("look", "Cem's").get("/").status == 200
    assert [one.number for one in shed.phones.listed()] == [2, 3], "a number is never given again"


def test_a_phone_takes_itself_off(shed: Shed) -> None:
    browser = shed.browser("look")
    answer = browser.send(browser.get("/"), "/do/leave")
    assert answer.status == 303
    assert browser.get("/").status == 401
    assert shed.phones.listed() == ()


def test_a_phone_not_seen_for_half_a_year_must_be_paired_anew(shed: Shed, at: At) -> None:
    used, left = shed.browser("note", "used"), shed.browser("note", "left")
    for days in (100, 200, 300):
        at(MORNING + timedelta(days=days))
        assert used.get("/").status == 200
    assert left.get("/").status == 401


def test_there_is_a_most_of_phones(shed: Shed) -> None:
    for _ in range(MOST_PHONES):
        shed.phones.pair(shed.phones.new_code("look", None, MORNING), "", MORNING)
    answer = Browser(shed.app).pair(shed.phones.new_code("look", None, MORNING))
    assert (answer.status, len(shed.phones.listed())) == (403, MOST_PHONES)
    assert "too many phones" in answer.body


# --- the file spoilt, the folder closed ---


SPOILT = ("", "{}", "[]", "null", '{"phones": 3}', "\x00\x01", '{"secret": 7, "phones": []')


@pytest.mark.parametrize("text", SPOILT)
def test_a_spoilt_file_is_named_and_pairs_nobody(
    shed: Shed, text: str, caplog: pytest.LogCaptureFixture
) -> None:
    browser = shed.browser("water")
    (shed.settings.folder / FILE).write_text(text)
    answer = browser.get("/")
    assert answer.status == 503
    assert "its log says why" in answer.body
    assert str(shed.data) not in answer.body, "a stranger is told no paths"
    assert "is broken" in caplog.text
    with pytest.raises(CouldNot, match="is broken"):
        shed.phones.new_code("note", None, MORNING)
    assert (shed.settings.folder / FILE).read_text() == text, "it is left to be looked at"


def test_a_right_that_nobody_knows_is_none(shed: Shed) -> None:
    browser = shed.browser("look")
    path = shed.settings.folder / FILE
    book = json.loads(path.read_text())
    book["phones"][0]["may"] = "everything"
    path.write_text(json.dumps(book))
    assert browser.get("/").status == 503
