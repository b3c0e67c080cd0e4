"""Power cuts on ext4 over a card that forgets what was not flushed: the store at speed, and the real service.

The long one is a program: python tests/power/season.py --cuts 500
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from long_run import LONG
from power.card import Card, missing
from power.season import Season

from scheduler.store.store import Store

STORE_CUTS = 200 if LONG else 8
SERVICE_CUTS = 100 if LONG else 1
BEGIN = datetime(2026, 6, 1, tzinfo=UTC)  # of the writer's notes, a second each
WRITER = """
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from scheduler.disk import write_atomic
from scheduler.model import Note
from scheduler.store.store import Store
folder, first = Path(sys.argv[1]), int(sys.argv[2])
begin = datetime(2026, 6, 1, tzinfo=UTC)
with Store.open(folder / "rowwater.db", now=begin) as store:
    for k in range(first, first + 10_000):
        at = begin + timedelta(seconds=k)
        store.add_note(Note("filter", at.date(), at, None, {}))
        print("note", k, flush=True)
        write_atomic(folder / "page.json", f'{{"page": {k}, "words": "{"word " * (k % 3000)}"}}')
        print("page", k, flush=True)
"""


@pytest.fixture
def make_card(tmp_path: Path) -> Iterator[Callable[[int], Card]]:
    if (lack := missing()) is not None:
        pytest.skip(f"not played here: power cuts, since this machine lacks {lack}")
    cards: list[Card] = []

    def make(seed: int) -> Card:
        cards.append(Card(tmp_path, seed))
        return cards[-1]

    yield make
    for card in cards:
        card.end()


def written(card: Card, first: int, requests: int) -> dict[str, int]:
    """Notes and a page, again and again, until the power goes: the last of each that was acknowledged."""
    card.order(f"cut after {requests}")
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(card.root), str(first)], stdout=subprocess.PIPE, text=True,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert writer.stdout is not None
    told = {"note": first - 1, "page": -1}
    for line in writer.stdout:
        what, number = line.split()
        told[what] = int(number)
    writer.communicate()
    assert card.state()["dead"], "the writer ended before the power did"
    return told


def notes_there(card: Card) -> list[int]:
    """Read as the service would; a database that was set aside would say so."""
    with Store.open(card.root / "rowwater.db", now=datetime.now(UTC)) as store:
        assert not store.notices, store.notices
        return [round((note.recorded_at - BEGIN).total_seconds()) for note in store.notes()]


def test_what_the_store_acknowledged_outlives_a_cut(make_card: Callable[[int], Card]) -> None:
    """Also the very first writes, that make the database. A page is the old one or the new one, whole."""
    seed = random.randrange(10**6)
    rng, card = random.Random(seed), make_card(seed)
    print(f"seed {seed}")
    first, page = 0, -1
    for _ in range(STORE_CUTS):
        told = written(card, first, round(300 ** rng.random()))
        page = max(page, told["page"])
        card.restart()
        there = notes_there(card)
        assert there == list(range(len(there)))
        assert told["note"] < len(there) <= told["note"] + 2, (told, there[-3:])
        if (path := card.root / "page.json").exists() or page >= 0:
            assert json.loads(path.read_text())["page"] >= page
        first = len(there)
    state = card.state()
    lost = f"{state['forgotten']} writes forgotten, {state['torn']} torn"
    print(f"{STORE_CUTS} cuts: {first} notes kept, {lost}")
    assert state["forgotten"] > 0


def test_a_card_that_lies_is_found_out(make_card: Callable[[int], Card]) -> None:
    """The check can fail: where a flush keeps nothing, acknowledged notes are gone."""
    card = make_card(1)
    told = written(card, 0, 400)
    card.restart()
    before = len(notes_there(card))
    assert before > told["note"] >= 0
    card.order("lie")
    told = written(card, before, 600)
    card.order("honest")
    card.restart()
    assert told["note"] >= before
    assert len(notes_there(card)) <= told["note"]


def test_the_service_on_a_card_that_is_cut_off(make_card: Callable[[int], Card], tmp_path: Path) -> None:
    """Everything acknowledged is there, no valve opens twice for one run, no file is half."""
    seed = random.randrange(10**6)
    print(f"seed {seed}")
    (tmp_path / "season").mkdir()
    season = Season(tmp_path / "season", seed)
    try:
        tally = season.run(SERVICE_CUTS)
    finally:
        season.end()
    print(tally)
    assert tally.wrong == []
    assert tally.cuts == SERVICE_CUTS
