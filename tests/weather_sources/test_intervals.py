"""ISO 8601 time intervals (ISO 8601-1:2019, 5.5.2), taken apart into hours."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.weather.nws import intervals

NOW = datetime(2026, 6, 12, 7, 30, tzinfo=UTC)
START = int(datetime(2026, 6, 12, 6, tzinfo=UTC).timestamp())
H = 3600


@pytest.mark.parametrize(
    ("text", "begin", "length"),
    [
        ("2026-06-12T06:00:00+00:00/PT3H", START, 3 * H),
        ("2026-06-12T02:00:00-04:00/PT1H", START, H),
        ("2026-06-12T06:00:00Z/P1DT6H", START, 30 * H),
        ("2026-06-12T06:00:00+00:00/P6DT4H", START, 148 * H),
        ("2026-06-12T06:00:00+00:00/P1W", START, 168 * H),
        ("2026-06-12T06:00:00+00:00/PT90M", START, 5400),
        ("2026-06-12T06:00:00+00:00/2026-06-12T09:00:00+00:00", START, 3 * H),
        ("PT3H/2026-06-12T09:00:00+00:00", START, 3 * H),
        ("NOW/2026-06-12T09:00:00Z", START + 5400, 5400),
        ("NOW/PT2H", START + 5400, 2 * H),
        ("PT1H/NOW", START + 1800, H),
    ],
)
def test_forms(text: str, begin: int, length: int) -> None:
    assert intervals.seconds_of(text, NOW) == (begin, begin + length)


@pytest.mark.parametrize(
    "text",
    [
        "", "/", "NOW", "NOW/NOW", "2026-06-12T06:00:00+00:00", "2026-06-12T06:00:00/PT1H", "PT1H/PT1H",
        "2026-06-12T06:00:00Z/PT0H", "2026-06-12T06:00:00Z/P", "2026-06-12T06:00:00Z/PT",
        "2026-06-12T06:00:00Z/P1M", "2026-06-12T06:00:00Z/P1Y", "2026-06-12T06:00:00Z/PT-1H",
        "2026-06-12T06:00:00Z/2026-06-12T05:00:00Z", "2026-06-12T06:00:00Z/PT9999H",
        "2026-02-30T06:00:00Z/PT1H",
        "2026-06-12T06:00:00Z/PT1H/PT1H", "9999-12-31T23:00:00Z/PT5H", "2199-12-31T23:00:00Z/P99W",
    ],
)  # fmt: skip
def test_no_intervals(text: str) -> None:
    assert intervals.seconds_of(text, NOW) is None


@given(st.text() | st.from_regex(r"[0-9TZPHMDW:+/-]{0,40}"))
def test_any_text(text: str) -> None:
    found = intervals.seconds_of(text, NOW)
    assert found is None or found[0] < found[1]


def test_a_reading_holds_for_every_hour() -> None:
    assert intervals.held([(START, START + 3 * H, 5.0)]).known == {START + i * H: 5.0 for i in range(3)}


def test_a_sum_is_split() -> None:
    found = intervals.shared_out([(START, START + 6 * H, 12.0)])
    assert found.known == {START + i * H: 2.0 for i in range(1, 7)}


def test_an_hour_said_twice_is_no_hour() -> None:
    """Neither added up nor guessed; the same block sent twice is one block."""
    twice = [(START, START + 2 * H, 4.0), (START + H, START + 3 * H, 8.0)]
    found = intervals.shared_out(twice)
    assert (found.known, found.twice) == ({START + H: 2.0, START + 3 * H: 4.0}, 1)
    assert intervals.shared_out([twice[0], twice[0]]).known == {START + H: 2.0, START + 2 * H: 2.0}
    read = intervals.held(twice)
    assert (set(read.known), read.twice) == ({START, START + 2 * H}, 1)


PIECES = st.lists(
    st.tuples(st.integers(1, 2 * 24 * 60), st.floats(0, 100)).map(lambda p: (60 * p[0], p[1])), max_size=20
)


@given(PIECES, st.integers(-100, 100))
def test_water_is_neither_made_nor_lost(lengths: list[tuple[int, float]], shift: int) -> None:
    """Blocks end to end: what lies in whole hours adds up to the blocks, less the cut hours at both ends."""
    at = START + 60 * shift
    pieces = []
    for length, value in lengths:
        pieces.append((at, at + length, value))
        at += length
    found = intervals.shared_out(pieces)
    assert found.twice == 0
    whole = math.fsum(value for *_, value in pieces)
    if pieces:
        begin, end = -(-pieces[0][0] // H) * H, at // H * H
        cut = math.fsum(
            v * max(min(b, t) - max(a, s), 0) / (b - a)
            for a, b, v in pieces
            for s, t in ((pieces[0][0], min(begin, at)), (max(end, pieces[0][0]), at))
        )
        if begin <= end:
            assert math.fsum(found.known.values()) == pytest.approx(whole - cut, abs=1e-6)
        else:
            assert found.known == {}
