"""A fact that withdraws a fact: nothing is deleted, and what is withdrawn counts nowhere."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from store.samples import DAY, NOW, rain_note, water

from scheduler.errors import BadInput, CouldNot
from scheduler.store import openings
from scheduler.store.store import Store
from scheduler.store.told import moment_of_telling, told, withdraw


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "rowwater.db", now=NOW) as opened:
        yield opened


def test_what_is_withdrawn_counts_nowhere_and_stays_on_disk(store: Store) -> None:
    run = water(outcome="by hand", pulse=2)
    store.add_note(rain_note())
    store.add_applied(run)
    for one in told(store):
        withdraw(store, one, NOW)
    assert store.notes() == []
    assert store.notes(kind="rain") == []
    assert store.applied(DAY, DAY) == []
    assert openings.tried(store, DAY, DAY) == set()
    with closing(sqlite3.connect(store.path)) as db:
        assert db.execute("SELECT count(*) FROM applied").fetchone() == (1,)
        assert db.execute("SELECT kind FROM notes ORDER BY id").fetchall() == [
            ("rain",),
            ("undo",),
            ("undo",),
        ]
    for one in [one for one in told(store) if one.withdraws]:
        withdraw(store, one, NOW + timedelta(minutes=1))
    assert store.notes() == [rain_note()]
    assert store.applied(DAY, DAY) == [run]
    assert openings.tried(store, DAY, DAY) == {(DAY, "tomatoes", 2)}


def test_a_correction_withdrawn_lets_the_earlier_record_stand(store: Store) -> None:
    from scheduler.store.effective import effective_applied

    first, total = water(outcome="by hand"), water(outcome="by hand", minutes=10.0, replaces_day=True)
    store.add_applied(first)
    store.add_applied(total)
    assert effective_applied(store.applied(DAY, DAY)) == [total]
    withdraw(store, told(store)[-1], NOW)
    assert effective_applied(store.applied(DAY, DAY)) == [first]


def test_what_valves_gave_and_sensors_sent_is_not_the_growers_to_take_back(store: Store) -> None:
    store.add_applied(water(pulse=1))
    store.add_applied(water(outcome="never opened", minutes=0.0, pulse=2))
    store.add_note(rain_note(kind="soil", zone="beans", details={"theta": 0.2, "source": "sensor"}))
    assert told(store) == []


def test_runs_answered_together_are_one_answer(store: Store) -> None:
    for zone in ("tomatoes", "beans"):
        store.add_applied(water(zone, outcome="by hand", pulse=1))
    store.add_applied(water("squash", outcome="by hand"))
    assert [[record.zone for record in one.water] for one in told(store)] == [
        ["tomatoes", "beans"],
        ["squash"],
    ]


def test_taking_back_twice_at_once_is_refused(store: Store) -> None:
    store.add_note(rain_note())
    (one,) = told(store)
    withdraw(store, one, NOW)
    with pytest.raises(BadInput, match="just been taken back"):
        withdraw(store, one, NOW)


def test_telling_at_one_instant_keeps_its_order(store: Store) -> None:
    kinds = ["rain", "applied", "rain", "applied"]
    for kind in kinds:
        at = moment_of_telling(store, NOW)
        if kind == "rain":
            store.add_note(rain_note(recorded_at=at))
        else:
            store.add_applied(water(outcome="by hand", recorded_at=at))
    assert [one.note.kind if one.note else "applied" for one in told(store)] == kinds


@pytest.mark.parametrize("seed", range(20))
def test_undo_of_undo_to_any_depth(store: Store, seed: int) -> None:
    """Against the plainest reading of it: a fact counts unless something that counts withdraws it."""
    rng = random.Random(seed)
    withdraws: list[int | None] = []

    def counts(k: int) -> bool:
        return not any(withdraws[j] == k and counts(j) for j in range(k + 1, len(withdraws)))

    for _ in range(30):
        standing = [k for k in range(len(withdraws)) if counts(k)]
        target = rng.choice(standing) if standing and rng.random() < 0.6 else None
        at = moment_of_telling(store, NOW)
        if target is None:
            store.add_note(rain_note(recorded_at=at, details={"mm": float(len(withdraws))}))
        else:
            withdraw(store, told(store)[target], at)
        withdraws.append(target)
        kept = [k for k, of in enumerate(withdraws) if of is None and counts(k)]
        assert [note.details["mm"] for note in store.notes()] == kept
        assert [one.in_force for one in told(store)] == [counts(k) for k in range(len(withdraws))]


def test_an_undo_that_says_nothing_readable_is_damage(store: Store) -> None:
    with store.writing() as connection:
        connection.execute(
            "INSERT INTO notes (kind, day, recorded_at, details) VALUES ('undo', '2026-06-12', "
            "'2026-06-12T08:00:00.000000+00:00', '{}')"
        )
    with pytest.raises(CouldNot):
        store.notes()
