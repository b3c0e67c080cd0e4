"""What the tests keep of planned weeks (`weeks_kept`) is what would be planned again."""

from __future__ import annotations

import pickle
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from core.week_gardens import random_week
from weeks_kept import PLANNERS, WeeksKept

from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import DAY_ZONE


@pytest.fixture
def kept(tmp_path: Path) -> WeeksKept:
    return WeeksKept(tmp_path)


@pytest.mark.parametrize("why_short", [True, False])
def test_a_kept_plan_is_the_plan_to_the_last_bit(kept: WeeksKept, why_short: bool) -> None:
    for seed in range(4):
        ahead = random_week(np.random.default_rng(seed), 3, 4)
        plain = plan_week(ahead, solver=False, why_short=why_short)
        for _ in range(2):
            assert pickle.dumps(kept(ahead, solver=False, why_short=why_short)) == pickle.dumps(plain)
    assert kept.planned == 4


def test_any_other_figure_of_the_week_is_another_week(kept: WeeksKept) -> None:
    ahead = random_week(np.random.default_rng(1), 2, 2)
    kept(ahead, solver=False)
    for n, name in enumerate(DAY_ZONE, 2):
        other = getattr(ahead, name).copy()
        other[-1, -1] = not other[-1, -1] if other.dtype == bool else np.nextafter(other[-1, -1], np.inf)
        kept(replace(ahead, **{name: other}), solver=False)
        assert kept.planned == n, name
    kept(ahead, solver=False, only_loss=True)
    kept(ahead, solver=False, seconds=1.0)
    assert kept.planned == n + 2


def test_what_a_test_does_to_a_plan_no_other_sees(kept: WeeksKept) -> None:
    ahead = random_week(np.random.default_rng(2), 2, 3)
    first = kept(ahead, solver=False)
    before = first.minutes.copy()
    first.minutes[:] = -1
    assert (kept(ahead, solver=False).minutes == before).all()


def test_where_the_solver_is_asked_nothing_is_kept(kept: WeeksKept, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its answer hangs on the time that it had."""
    ahead = random_week(np.random.default_rng(3), 2, 2)
    kept(ahead, seconds=0.1)
    assert not list(kept.folder.iterdir())
    monkeypatch.setitem(sys.modules, "highspy", None)
    kept(ahead, seconds=0.1)
    assert len(list(kept.folder.iterdir())) == 1


def test_the_commands_take_what_is_kept(weeks_kept: WeeksKept) -> None:
    for planner in PLANNERS:
        module, _, name = planner.rpartition(".")
        assert getattr(sys.modules[module], name) is weeks_kept
