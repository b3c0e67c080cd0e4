"""Answers kept on disk and asked for by condition (RFC 9110, 13.1.2 and 13.1.3; RFC 9111, 4.2 and 5.2)."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather_sources.replay import Answer, Replay
from weather_sources.test_sources import quick

from scheduler.weather import http
from scheduler.weather.cache import Cache, CachedGet, recall

NOW = datetime(2026, 6, 12, 7, 30, tzinfo=UTC)


def ask(replay: Replay, folder: Path, now: datetime = NOW, **params: str) -> http.Reply:
    return CachedGet(Cache(folder), now, quick)(replay.url, params)


def conditional(text: str, **headers: str) -> Answer:
    """Answers 304 whoever names this version."""

    def make(_: dict[str, str], asked: dict[str, str]) -> Answer:
        same = asked.get("if-none-match") == headers.get("ETag", "-") or (
            asked.get("if-modified-since") == headers.get("Last-Modified", "-")
        )
        return Answer(304) if same else Answer(body=text, headers=headers)

    return Answer(body=make)


@pytest.mark.parametrize(
    "headers",
    [{"ETag": '"a1"'}, {"Last-Modified": "Fri, 12 Jun 2026 06:00:00 GMT"}, {"ETag": 'W/"x"', "Age": "5"}],
)  # fmt: skip
def test_unchanged_answer_is_not_sent_again(replay: Replay, tmp_path: Path, headers: dict[str, str]) -> None:
    replay.give(conditional('{"a": 1}', **headers))
    first, second = ask(replay, tmp_path), ask(replay, tmp_path)
    assert first == second == http.Reply(200, '{"a": 1}')
    assert "if-none-match" in replay.headers[1] or "if-modified-since" in replay.headers[1]
    replay.give(conditional('{"a": 2}', ETag='"a2"'))
    assert ask(replay, tmp_path).text == '{"a": 2}'
    assert len(replay.asked) == 3


def test_other_questions_are_other_answers(replay: Replay, tmp_path: Path) -> None:
    replay.give(conditional("1", ETag='"a"'))
    ask(replay, tmp_path, latitude="1")
    ask(replay, tmp_path, latitude="2")
    assert "if-none-match" not in replay.headers[1]


def test_fresh_answers_are_not_asked_for_but_never_for_long(replay: Replay, tmp_path: Path) -> None:
    replay.give(Answer(body="1", headers={"Cache-Control": "public, max-age=86400"}))
    ask(replay, tmp_path)
    ask(replay, tmp_path, NOW + timedelta(minutes=59))
    assert len(replay.asked) == 1
    ask(replay, tmp_path, NOW + timedelta(minutes=61))
    assert len(replay.asked) == 2
    ask(replay, tmp_path, NOW - timedelta(days=1))  # the clock was wrong
    assert len(replay.asked) == 3


@pytest.mark.parametrize(
    "headers",
    [{}, {"Cache-Control": "no-store, max-age=60", "ETag": '"a"'},
     {"Cache-Control": "max-age=60", "Age": "60"},
     {"Expires": "Fri, 12 Jun 2026 06:00:00 GMT", "Date": "Fri, 12 Jun 2026 06:00:00 GMT"},
     {"Expires": "0"}],
)  # fmt: skip
def test_what_is_not_to_be_kept(replay: Replay, tmp_path: Path, headers: dict[str, str]) -> None:
    replay.give(Answer(body="1", headers=headers))
    ask(replay, tmp_path)
    ask(replay, tmp_path)
    assert len(replay.asked) == 2
    assert "if-none-match" not in replay.headers[1]


@pytest.mark.parametrize("answer", [Answer(404, "{}"), Answer(500, "{}"), Answer(200, '{"cut": ')])
def test_errors_and_cut_answers_are_not_kept(replay: Replay, tmp_path: Path, answer: Answer) -> None:
    kept = Answer(answer.status, answer.body, {"ETag": '"e"', "Cache-Control": "max-age=600"})
    replay.give(kept)
    assert ask(replay, tmp_path).status == answer.status
    before = len(replay.asked)
    ask(replay, tmp_path)
    assert len(replay.asked) > before
    assert "if-none-match" not in replay.headers[-1]


def test_not_modified_without_having_it(replay: Replay, tmp_path: Path) -> None:
    """A confused cache in between: the status is handed on, no answer is made up."""
    replay.give(Answer(304))
    assert ask(replay, tmp_path).status == 304


# --- the cache -------------------------------------------------------------------------------------


@given(st.binary(max_size=200), st.integers(0, 300))
@settings(max_examples=200, deadline=None)
def test_damaged_file_is_a_miss(tmp_path_factory: pytest.TempPathFactory, dirt: bytes, at: int) -> None:
    cache = Cache(tmp_path_factory.mktemp("cache"))
    cache.put("a", {"text": "x" * 50})
    [path] = cache.folder.iterdir()
    whole = path.read_bytes()
    path.write_bytes(whole[:at] + dirt)
    assert cache.get("a") == ({"text": "x" * 50} if path.read_bytes() == whole else None)
    cache.put("a", {"text": "new"})
    assert cache.get("a") == {"text": "new"}


def test_shelf_stays_small(tmp_path: Path) -> None:
    cache = Cache(tmp_path, most_bytes=5000, most_files=4)
    for i in range(8):
        cache.put(str(i), {"text": "x" * 500})
        time.sleep(0.01)
    assert [i for i in range(8) if cache.get(str(i))] == [4, 5, 6, 7]
    for i in range(8):
        cache.put(str(i), {"text": "x" * 2000})
        time.sleep(0.01)
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 5000
    cache.put("big", {"text": "x" * 10_000})
    assert cache.get("big") is None
    assert not list(tmp_path.glob(".new*"))


def test_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    cache = Cache(tmp_path / "file" / "inside")
    cache.put("a", {})
    cache.drop("a")
    assert cache.get("a") is None


def test_recall(tmp_path: Path) -> None:
    made: list[Any] = []

    def make() -> dict[str, Any]:
        made.append(len(made))
        return {"n": len(made)}

    cache = Cache(tmp_path)
    assert recall(cache, "a", 7, NOW, make) == {"n": 1}
    assert recall(cache, "a", 7, NOW + timedelta(days=6), make) == {"n": 1}
    assert recall(cache, "a", 7, NOW + timedelta(days=8), make) == {"n": 2}
    assert recall(cache, "a", 7, NOW, make) == {"n": 3}, "kept in the future: not believed"
    assert recall(None, "a", 7, NOW, make) == {"n": 4}
    cache.put("a", {"at": "never", "made": 5})
    assert recall(cache, "a", 7, NOW, make) == {"n": 5}


# --- when to come back -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({"Retry-After": "7"}, 7.0),
        ({"Retry-After": "Fri, 12 Jun 2026 06:00:09 GMT", "Date": "Fri, 12 Jun 2026 06:00:00 GMT"}, 9.0),
        ({"Retry-After": "Fri, 12 Jun 2026 05:00:00 GMT", "Date": "Fri, 12 Jun 2026 06:00:00 GMT"}, 2.0),
        ({"Retry-After": "soon"}, 2.0),
        ({"Retry-After": "-5"}, 2.0),
    ],
)  # fmt: skip
def test_retry_after_as_number_and_as_date(replay: Replay, headers: dict[str, str], seconds: float) -> None:
    """A date counts from the server's own clock (`Date`): ours may be years off."""
    send = headers.get("Date")

    def refuse(handler: Any, _: bytes) -> None:
        handler.send_response_only(503)
        for name, value in headers.items():
            handler.send_header(name, value)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    replay.give(Answer(how=refuse), Answer(body="good"))
    pauses: list[float] = []
    found = http.get(replay.url, sleep=pauses.append, chance=lambda: 0.5)
    assert (found.text, pauses) == ("good", [seconds]), send
