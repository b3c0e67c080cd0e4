"""`rowwater stop` says "closed" only of what it drove: with the service, without, by hand, unreached."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from cli.conftest import Grower
from service.plot import PLOT

from scheduler.relays.specs import VALVES, save, spec_of
from scheduler.service.actions import Close, Hold, Moment
from scheduler.service.ledger import Ledger
from scheduler.service.planned import Planned
from scheduler.service.requests import REPLY_S, Request, Requests
from scheduler.service.stopped import Stopped

BY_HAND = "    valve: {by_hand: true}\n"
BRIEF = replace(PLOT, zones={**PLOT.zones, "herbs": ("by_hand:herbs", 3.0, 10.0)}).brief()
NOW = "Use the hand valve NOW"


@pytest.mark.parametrize(
    ("stopped", "status", "said"),
    [
        (Stopped(("a", "b")), 0, "a, b closed."),
        (
            Stopped(("a",), {"b": "no answer"}),
            1,
            "NOT confirmed closed: b (no answer). " + NOW + "\na closed.",
        ),
        (Stopped(("a",), by_hand=("herbs",)), 3, "a closed.\nclose by hand: herbs"),
        (Stopped(by_hand=("herbs", "figs")), 1, "close by hand: herbs, figs"),
        (Stopped(("a",), {"b": ""}, ("herbs",)), 1, "NOT confirmed closed: b. " + NOW + "\na closed."),
        (Stopped(), 0, "no valve is known here"),
    ],
)  # fmt: skip
def test_what_is_said_and_the_exit_status(stopped: Stopped, status: int, said: str) -> None:
    assert stopped.status == status
    assert stopped.said(".").startswith(said)


# --- without the service -------------------------------------------------------------------------


def drive(grower: Grower, zone: str, *, works: bool = True) -> None:
    """The zone's valve is a program that answers, or fails."""
    text = grower.garden.read_text()
    begin = text.index(f"  {zone}:")
    word = "true" if works else "false"
    at = text.index(BY_HAND, begin)
    driven = f'    valve: {{command: [env, "ZONE={zone}", {word}]}}\n'
    grower.garden.write_text(text[:at] + driven + text[at + len(BY_HAND) :])


def test_hand_valves_are_never_said_to_be_closed(grower: Grower) -> None:
    everything = grower("stop")
    assert everything.status == 1
    assert "close by hand: tomatoes, beans, lettuce, squash, onions" in everything.err
    one = grower("stop", "beans")
    assert one.status == 1
    assert "close by hand: beans (" in one.err
    assert "closed" not in (everything.out + everything.err + one.out + one.err).replace("to be closed", "")


def test_what_is_driven_is_closed_and_the_rest_is_named(grower: Grower) -> None:
    drive(grower, "beans")
    drive(grower, "squash")
    said = grower("stop")
    assert (said.status, said.err) == (3, "")
    first, second = said.out.splitlines()
    assert first == "beans, squash closed; the service is not running"
    assert second.startswith("close by hand: tomatoes, lettuce, onions (")
    assert (grower("stop", "beans").status, grower("stop", "lettuce").status) == (0, 1)


def test_what_does_not_close_is_said(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduler.cli.stop.TRY_FOR_S", 0.3)
    drive(grower, "beans")
    drive(grower, "squash", works=False)
    said = grower("stop")
    assert said.status == 1
    assert "NOT confirmed closed: squash (" in said.err
    assert "beans closed" in said.err
    assert "close by hand: tomatoes, lettuce, onions (" in said.err
    assert "squash closed" not in said.err


def test_an_unknown_zone_is_told_with_the_nearest(grower: Grower) -> None:
    said = grower("stop", "bean")
    assert said.status == 2
    assert "beans" in said.err


def test_a_garden_that_cannot_be_read_keeps_no_known_valve_open(grower: Grower) -> None:
    drive(grower, "beans")
    from scheduler.garden.file import load

    beans = next(zone for zone in load(grower.garden).zones if zone.name == "beans")
    grower.data.mkdir()
    save(grower.data / VALVES, [spec_of(beans.valve, zones=["beans"], broker=None)])
    grower.edit("zones:", "zonse:")
    assert grower("stop", "beans").out == "beans closed; the service is not running\n"
    said = grower("stop")
    assert said.status == 1
    assert "beans closed" in said.err
    assert "NOT confirmed closed: other valves (garden.yaml: " in said.err


def test_a_zone_newer_than_the_service_is_closed_too(grower: Grower) -> None:
    drive(grower, "beans")
    from scheduler.garden.file import load

    beans = next(zone for zone in load(grower.garden).zones if zone.name == "beans")
    grower.data.mkdir()
    save(grower.data / VALVES, [spec_of(beans.valve, zones=["beans"], broker=None)])
    drive(grower, "squash")
    assert grower("stop").out.startswith("beans, squash closed")


# --- the service's answer ------------------------------------------------------------------------


def asked(zone: str | None, *, confirm: bool = True) -> tuple[list[object], list[tuple[int, str]]]:
    """What a stop makes the service do, and what it answers; herbs are turned by hand."""
    ledger = Ledger(rules=BRIEF.rules(), boot="b", new_uid=lambda: "u", beat_s=30.0, tried=set())
    requests = Requests(ledger, Planned(BRIEF))
    said: list[tuple[int, str]] = []
    at = Moment(datetime(2026, 6, 1, 4, tzinfo=UTC), 1000.0)
    actions = requests.take(at, Request("stop", zone, 0.0, lambda *answer: said.append(answer)), None)
    if confirm:
        for action in actions:
            if isinstance(action, Close):
                requests.closed(action.key)
    requests.answer(Moment(at.wall, at.mono + REPLY_S))
    return list(actions), said


def test_the_service_says_what_it_closed_and_what_a_person_has_to() -> None:
    actions, said = asked(None)
    status, text = said[0]
    assert status == 3
    closed, hand = text.splitlines()
    assert closed.startswith(
        "tomatoes, beans, lettuce, squash, onions, leeks closed, and kept dry until tomorrow"
    )
    assert "close by hand: herbs (" in hand
    (hold,) = [action for action in actions if isinstance(action, Hold)]
    assert (hold.zones, hold.until) == (tuple(BRIEF.valve_of), date(2026, 6, 2))


def test_the_service_does_not_claim_a_close_that_nobody_confirmed() -> None:
    _, said = asked(None, confirm=False)
    assert said[0][0] == 1
    assert "closed," not in said[0][1]
    assert "NOT confirmed closed: " in said[0][1]


def test_the_service_of_a_zone_by_hand() -> None:
    _, said = asked("herbs")
    assert said[0][0] == 1
    assert said[0][1].startswith("close by hand: herbs (")
