"""The HTTP door against a local server: limits that hold, tries that end. Behaviour, no outside numbers."""

from __future__ import annotations

import gzip
import time

import pytest
from weather_sources.replay import Answer, Replay, break_off, drip, drip_header, hang, reset

from scheduler.errors import CouldNot
from scheduler.weather import http


class Pauses(list[float]):
    """Instead of sleeping."""

    def __call__(self, seconds: float) -> None:
        self.append(seconds)


def ask(
    replay: Replay, *, total_seconds: float = 20, tries: int = 3, pauses: Pauses | None = None
) -> http.Reply:
    return http.get(
        replay.url,
        {"latitude": "34.5"},
        total_seconds=total_seconds,
        tries=tries,
        sleep=Pauses() if pauses is None else pauses,
        chance=lambda: 0.5,
    )


def test_plain_answer(replay: Replay) -> None:
    replay.give(Answer(body="{}"))
    assert ask(replay) == http.Reply(200, "{}")
    assert replay.asked == [("/v1/forecast", {"latitude": "34.5"})]
    assert (replay.agents[0] or "").startswith("rowwater")


def test_packed_answer(replay: Replay) -> None:
    replay.give(Answer(body=gzip.compress(b'{"a": 1}'), headers={"Content-Encoding": "gzip"}))
    assert ask(replay).text == '{"a": 1}'


@pytest.mark.parametrize("status", [429, 500, 502, 503, 504])
def test_two_failures_then_good(replay: Replay, status: int) -> None:
    replay.give(Answer(status), Answer(status), Answer(body="good"))
    pauses = Pauses()
    assert ask(replay, pauses=pauses).text == "good"
    assert pauses == [2.0, 4.0]


def test_failure_for_ever_is_told_after_three_tries(replay: Replay) -> None:
    replay.give(Answer(503, "busy"))
    assert ask(replay) == http.Reply(503, "busy")
    assert len(replay.asked) == 3


def test_bad_question_is_asked_once(replay: Replay) -> None:
    replay.give(Answer(400, "no"))
    assert ask(replay).status == 400
    assert len(replay.asked) == 1


def test_the_server_says_when_to_come_back(replay: Replay) -> None:
    replay.give(Answer(429, headers={"Retry-After": "7"}), Answer(body="good"))
    pauses = Pauses()
    assert ask(replay, pauses=pauses).text == "good"
    assert pauses == [7.0]


def test_no_waiting_beyond_the_deadline(replay: Replay) -> None:
    replay.give(Answer(429, headers={"Retry-After": "3600"}))
    pauses = Pauses()
    assert ask(replay, pauses=pauses).status == 429
    assert pauses == []


@pytest.mark.parametrize("how", [hang, drip, drip_header])
def test_total_time_holds(replay: Replay, how: object) -> None:
    replay.give(Answer(body="x" * 10_000, how=how))  # type: ignore[arg-type]
    began = time.monotonic()
    with pytest.raises(CouldNot, match=r"did not answer within 0\.6 s|stayed silent"):
        ask(replay, total_seconds=0.6)
    assert time.monotonic() - began < 2.5


@pytest.mark.parametrize("how", [break_off, reset])
def test_broken_connection_is_tried_again(replay: Replay, how: object) -> None:
    replay.give(Answer(body="half", how=how), Answer(body="whole"))  # type: ignore[arg-type]
    assert ask(replay).text == "whole"


def test_broken_connection_for_ever(replay: Replay) -> None:
    replay.give(Answer(body="half", how=break_off))
    with pytest.raises(CouldNot, match="broke off"):
        ask(replay)
    assert len(replay.asked) == 3


def test_nobody_listens() -> None:
    with pytest.raises(CouldNot, match=r"no connection to 127\.0\.0\.1") as caught:
        http.get("http://127.0.0.1:9/", sleep=Pauses(), total_seconds=10)
    assert caught.value.hint


def test_damaged_packing(replay: Replay) -> None:
    replay.give(Answer(body="no gzip", headers={"Content-Encoding": "gzip"}))
    with pytest.raises(CouldNot, match="could not be read"):
        ask(replay)


def test_redirects_are_followed_three_times(replay: Replay) -> None:
    onward = Answer(302, headers={"Location": "/next?x=1"})
    replay.give(onward, onward, onward, Answer(body="found"))
    assert ask(replay).text == "found"
    assert replay.asked[1:] == [("/next", {"x": "1"})] * 3


def test_redirect_circle(replay: Replay) -> None:
    replay.give(Answer(301, headers={"Location": "/v1/forecast"}))
    with pytest.raises(CouldNot, match="in a circle"):
        ask(replay)
    assert len(replay.asked) == 4


def test_redirect_to_a_file_is_refused(replay: Replay) -> None:
    replay.give(Answer(302, headers={"Location": "file:///etc/passwd"}))
    with pytest.raises(CouldNot, match="not followed"):
        ask(replay)


def test_endless_body_is_cut(replay: Replay) -> None:
    replay.give(Answer(body=b"x" * (http.MAX_BYTES + 1)))
    with pytest.raises(CouldNot, match="more than 5 MB"):
        ask(replay)
    assert len(replay.asked) == 1


@pytest.mark.parametrize("url", ["nonsense", "ftp://127.0.0.1/", "http://[bad/", "http://"])
def test_an_address_that_is_none(url: str) -> None:
    with pytest.raises(CouldNot, match="not an address"):
        http.get(url, sleep=Pauses())


def test_proxy_variables_are_not_obeyed_unless_asked(replay: Replay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    monkeypatch.delenv("no_proxy", raising=False)
    monkeypatch.delenv("NO_PROXY", raising=False)
    replay.give(Answer(body="direct"))
    assert ask(replay).text == "direct"
    with pytest.raises(CouldNot, match="no connection"):
        http.get(replay.url, sleep=Pauses(), use_proxies=True)
