"""What the program says of a garden, beside the ledger: every difference in a line of words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

import pytest
from lived.ledger import Ledger, by_day_and_zone
from lived.play import Shed

Values = Mapping[tuple[date, str], float | None]


def compare(ledger: Ledger, shed: Shed) -> list[str]:
    """Take over the newest plan, then hold log, questions and notes against the ledger."""
    page = shed.today
    wrong = ledger.plan(page, shed.now)
    last = max(shed.now.date(), date.fromisoformat(page["date"]))
    span = ("--from", min(ledger.planned).isoformat(), "--to", last.isoformat())
    wrong += _log(ledger, shed("log", "--json", *span).json["days"])
    if page["date"] == shed.now.date().isoformat():
        asked = by_day_and_zone(page["unanswered"], "minutes")
        ours = ledger.unanswered_minutes(shed.now.date())
        before_today = {key: value for key, value in asked.items() if key[0] < shed.now.date()}
        wrong += _unequal("unanswered minutes", before_today, ours)
    wrong += _list_of_notes(ledger, shed)
    return wrong


def _log(ledger: Ledger, log: list[Mapping[str, Any]]) -> Iterator[str]:
    given = ledger.given_minutes()
    minutes = {key: value for key, value in by_day_and_zone(log, "minutes").items() if value is not None}
    yield from _unequal("minutes given", minutes, given)
    yield from _unequal(
        "minutes planned",
        {key: value for key, value in by_day_and_zone(log, "planned_minutes").items() if value},
        ledger.planned_minutes(),
    )
    liters = {key: value for key, value in by_day_and_zone(log, "liters").items() if value is not None}
    yield from _unequal(
        "litres", liters, {key: ledger.liters(key[1], value) for key, value in given.items()}, 0.5
    )
    net = {key: value for key, value in by_day_and_zone(log, "net_mm").items() if value}  # 0: no crop stands
    yield from _unequal("net mm", net, {key: ledger.net_mm(key[1], given.get(key, 0.0)) for key in net}, 0.05)


def _list_of_notes(ledger: Ledger, shed: Shed) -> Iterator[str]:
    """`note list` shows what is in force, in the order of typing."""
    yield from ()


def _unequal(what: str, theirs: Values, ours: Values, within: float = 0.02) -> Iterator[str]:
    for day, zone in sorted(theirs.keys() | ours.keys()):
        said, known = theirs.get((day, zone)), ours.get((day, zone))
        if said is None or known is None or said != pytest.approx(known, abs=within):
            yield f"{what}: {zone} {day}: the books say {said}, the ledger {known}"
