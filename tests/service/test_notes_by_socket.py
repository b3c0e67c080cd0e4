"""Notes that come by the control socket: the command that is run, and places kept free for a stop."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from scheduler.service.ask import address_in, ask, read_line
from scheduler.service.child import Ended
from scheduler.service.control import MOST_NOTES, ControlSocket
from scheduler.service.noting import note, words_of
from scheduler.service.reserve import Reserve


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"what": "given", "day": "2026-07-08", "zone": "beans", "how": "planned"},
         "note applied --as-planned --date 2026-07-08 -- beans"),
        ({"what": "given", "day": "2026-07-08", "zone": None, "how": "none"},
         "note applied --not-given --date 2026-07-08 --"),
        ({"what": "given", "day": "2026-07-08", "zone": "beans", "how": "minutes", "amount": "45 min"},
         "note applied --date 2026-07-08 -- beans 45 min"),
        ({"what": "rain", "amount": "12 mm"}, "note rain -- 12 mm"),
        ({"what": "rain", "amount": "12 mm", "sure": True}, "note rain --yes -- 12 mm"),
        ({"what": "rain", "amount": "12 mm", "day": "2026-02-28"},
         "note rain --since 2026-02-28 --at 2026-03-01 00:00 -- 12 mm"),
        ({"what": "hold", "zone": "beans", "until": "2026-07-12"}, "hold -- beans until 2026-07-12"),
        ({"what": "chore", "chore": "flush"}, "note chore -- flush"),
        ({"what": "chore", "chore": "tape", "zone": "beans"}, "note tape -- beans"),
        ({"what": "chore", "chore": "tape", "zone": "beans", "later": True}, "note chore -- tape later"),
    ],
)  # fmt: skip
def test_each_is_the_command_that_a_person_would_type(told: Mapping[str, Any], words: str) -> None:
    assert " ".join(words_of(told)) == words


WRONG: tuple[dict[str, Any], ...] = (
    {},
    {"what": "undo"},
    {"what": "rain"},
    {"what": "rain", "amount": ""},
    {"what": "rain", "amount": "a\nb"},
    {"what": "rain", "amount": "x" * 101},
    {"what": "rain", "amount": 5},
    {"what": "rain", "amount": "1 mm", "day": "yesterday"},
    {"what": "given", "day": "2026-07-08", "how": "so"},
)


@pytest.mark.parametrize("told", WRONG)
def test_what_is_none_of_these_starts_nothing(told: Mapping[str, Any]) -> None:
    def run(*_: object) -> Ended:
        raise AssertionError("started")

    with pytest.raises((ValueError, LookupError, TypeError)):
        note(Path("g"), Path("d"), told, 1.0, run=run)


def test_a_refusal_is_told_in_the_command_s_words() -> None:
    def run(*_: object) -> Ended:
        return Ended(2, "", 'rowwater: "9 elephants" is not a depth\n  hint: so\n')

    said = note(Path("g"), Path("d"), {"what": "rain", "amount": "9 elephants"}, 1.0, run=run)
    assert said == (1, '"9 elephants" is not a depth')


def test_notes_take_no_place_from_those_who_want_to_stop(tmp_path: Path) -> None:
    """One is worked on, one waits, the next is sent away at once."""
    go_on, begun = threading.Event(), threading.Semaphore(0)

    def slow(told: Mapping[str, Any]) -> tuple[int, str]:
        begun.release()
        assert go_on.wait(30)
        return 0, f"noted {told['amount']}"

    door = ControlSocket(tmp_path, Reserve(), slow)
    door.open()
    try:
        said: list[tuple[int, str]] = []
        threads = [
            threading.Thread(
                target=lambda n=n: said.append(ask(tmp_path, {"do": "note", "note": {"amount": n}}))
            )
            for n in range(MOST_NOTES)
        ]
        for thread in threads:
            thread.start()
        assert begun.acquire(timeout=10)
        give_up = threading.Event()
        for _ in range(100):  # until the second one waits, the places are not all taken
            if not door._notes.acquire(blocking=False):
                break
            door._notes.release()
            give_up.wait(0.05)
        assert ask(tmp_path, {"do": "note", "note": {}}) == (
            1, "others are just telling something: nothing was noted, try again in a moment",
        )  # fmt: skip
        go_on.set()
        for thread in threads:
            thread.join(20)
        assert sorted(said) == [(0, "noted 0"), (0, "noted 1")]
    finally:
        go_on.set()
        door.close()


LINES = (b'{"do": "note"}', b'{"do": "note", "note": 5}', b'{"do": "note", "note": null}', b"[]", b"7")


@pytest.mark.parametrize("line", LINES)
def test_what_cannot_be_read_is_answered(tmp_path: Path, line: bytes) -> None:
    door = ControlSocket(tmp_path, Reserve(), lambda told: (0, words_of(told)[0]))
    door.open()
    try:
        with address_in(tmp_path) as address, socket.socket(socket.AF_UNIX) as guest:
            guest.settimeout(10)
            guest.connect(address)
            guest.sendall(line + b"\n")
            answer = json.loads(read_line(guest))
    finally:
        door.close()
    assert (answer["status"], answer["said"][:14]) == (1, "not understood")
