"""Weeks planned by plain steps are planned once in a test run: they take most of a morning's time.

Hundreds of tests begin with the same mornings of the same plots.  Planning by steps is a function of its
arguments alone, so what is kept is what it would give again; where the solver is asked, whose answer hangs on
time, nothing is kept.  Kept in files, which the workers of a run share.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from pathlib import Path
from typing import Any

from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import Week, WeekPlan

PLANNERS = ("scheduler.planning.week.plan_week", "scheduler.core.week.advice.plan_week")
"""Where the commands plan weeks."""


class WeeksKept:
    """Plans as `plan_week` does; folder: where the plans are kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.planned = 0  # weeks that were not kept yet

    def __call__(self, week: Week, **how: Any) -> WeekPlan:
        by_steps = not how.get("solver", True) or sys.modules.get("highspy", "there") is None
        if not by_steps:
            return plan_week(week, **how)
        file = self.folder / hashlib.sha256(pickle.dumps((week, how))).hexdigest()
        if not file.exists():
            self.planned += 1
            self._keep(file, plan_week(week, **how))
        plan: WeekPlan = pickle.loads(file.read_bytes())  # a copy of its own for every test
        return plan

    def _keep(self, file: Path, plan: WeekPlan) -> None:
        draft = file.with_suffix(f".{os.getpid()}-{id(plan)}")  # of this process and thread alone
        draft.write_bytes(pickle.dumps(plan))
        draft.replace(file)
