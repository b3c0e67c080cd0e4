"""What the program says of a garden, beside the ledger: every difference in a line of words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

import pytest
from lived.ledger import Ledger, by_day_and_zone
from lived.play import Shed

Values = Mapping[tuple[date, str], float | None]


RECENT = timedelta(days=20)  # no habit reaches further back


def compare(ledger: Ledger, shed: Shed, *, whole: bool = False) -> list[str]:
    """Take over the newest plan, then hold log (of the last days, or `whole`), questions and notes
    against the ledger."""
    page = shed.today
    wrong = ledger.plan(page, shed.now)
    last = max(shed.now.date(), date.fromisoformat(page["date"]))
    first = min(ledger.planned) if whole else max(min(ledger.planned), last - RECENT)
    log = shed("log", "--json", "--from", first.isoformat(), "--to", last.isoformat()).json["days"]
    wrong += _log(ledger, log, first)
    if page["date"] == shed.now.date().isoformat():
        asked = by_day_and_zone(page["unanswered"], "minutes")
        ours = ledger.unanswered_minutes(shed.now.date())
        before_today = {key: value for key, value in asked.items() if key[0] < shed.now.date()}
        wrong += _unequal("unanswered minutes", before_today, ours)
    wrong += _list_of_notes(ledger, shed)
    return wrong


def _log(ledger: Ledger, log: list[Mapping[str, Any]], first: date) -> Iterator[str]:
    given = {key: value for key, value in ledger.given_minutes().items() if key[0] >= first}
    planned = {key: value for key, value in ledger.planned_minutes().items() if key[0] >= first}
    minutes = {key: value for key, value in by_day_and_zone(log, "minutes").items() if value is not None}
    yield from _unequal("minutes given", minutes, given)
    asked = {key: value for key, value in by_day_and_zone(log, "planned_minutes").items() if value}
    yield from _unequal("minutes planned", asked, planned)
    liters = {key: value for key, value in by_day_and_zone(log, "liters").items() if value is not None}
    yield from _unequal(
        "litres", liters, {key: ledger.liters(key[1], value) for key, value in given.items()}, 0.5
    )
    net = {key: value for key, value in by_day_and_zone(log, "net_mm").items() if value}  # 0: no crop stands
    yield from _unequal("net mm", net, {key: ledger.net_mm(key[1], given.get(key, 0.0)) for key in net}, 0.05)


def _list_of_notes(ledger: Ledger, shed: Shed) -> Iterator[str]:
    """What `note list` shows as in force, in the order of typing."""
    listed = [
        one
        for one in shed("note", "list", "--json").json["notes"]
        if one["withdraws"] is None and one["withdrawn_by"] is None
    ]
    theirs = [(one["kind"], sum(water["minutes"] for water in one["water"])) for one in listed]
    ours = [(one.kind, sum(water.minutes for water in one.water)) for one in ledger.standing()]
    if [kind for kind, _ in theirs] != [kind for kind, _ in ours]:
        yield f"notes in force: the books list {theirs}, the ledger {ours}"
    for (kind, said), (_, known) in zip(theirs, ours, strict=False):
        if said != pytest.approx(known, abs=0.02):
            yield f"note {kind}: the books say {said} min, the ledger {known}"


def _unequal(what: str, theirs: Values, ours: Values, within: float = 0.02) -> Iterator[str]:
    for day, zone in sorted(theirs.keys() | ours.keys()):
        said, known = theirs.get((day, zone)), ours.get((day, zone))
        if said is None or known is None or said != pytest.approx(known, abs=within):
            yield f"{what}: {zone} {day}: the books say {said}, the ledger {known}"
