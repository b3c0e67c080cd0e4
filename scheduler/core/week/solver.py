"""A mixed-integer program as it is put together, and HiGHS that solves it.

highspy is loaded only when something is solved: a week with water to spare needs none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray

Term = tuple[int, float]
"""Column, coefficient."""
NODES = 2000
"""A limit of work beside that of time, so that the same facts give the same plan on most machines."""
CLOCK_PER_SECOND = 3.0
"""HiGHS knows the clock only, and on a busy computer the clock runs ahead of the work."""
_FEASIBLE = 2  # HiGHS: kSolutionStatusFeasible


class NoSolver(Exception):
    """highspy is not there, or it found nothing in time; the text says which."""


class Solved(NamedTuple):
    """What HiGHS found: the value of every column, the cost, and a bound that no answer can beat."""

    values: FloatArray  # by column
    objective: float
    bound: float  # nothing is better; -inf where the time was over before one was known
    done: bool  # proved within the gap


class Model:
    """Columns and rows as they are added; HiGHS gets them in one piece."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.whole: list[bool] = []
        self.starts = [0]
        self.index: list[int] = []
        self.value: list[float] = []
        self.row_low: list[float] = []
        self.row_high: list[float] = []

    def column(
        self, low: float = 0.0, high: float = np.inf, cost: float = 0.0, *, whole: bool = False
    ) -> int:
        """The number of a new column, 0, 1, ...

        low, high: its bounds; cost: of one unit of it; whole: it takes whole numbers only.

        >>> model = Model()
        >>> model.column(high=4.0, cost=-1.0), model.column(whole=True)
        (0, 1)
        """
        self.cost.append(cost)
        self.low.append(low)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Sequence[Term], low: float = -np.inf, high: float = np.inf) -> None:
        """Add low <= sum of coefficient x column <= high.

        >>> model = Model()
        >>> minutes, on = model.column(), model.column(high=1.0, whole=True)
        >>> model.row([(minutes, 1.0), (on, -60.0)], high=0.0)
        >>> model.starts, model.index, model.value, model.row_high
        ([0, 2], [0, 1], [1.0, -60.0], [0.0])
        """
        self.index += [column for column, _ in terms]
        self.value += [value for _, value in terms]
        self.starts.append(len(self.index))
        self.row_low.append(low)
        self.row_high.append(high)

    def solve(
        self, seconds: float, gap: float, start: Mapping[int, float] | None = None, nodes: int = NODES
    ) -> Solved:
        """The answer of the least cost that HiGHS finds; raises NoSolver where it finds none.

        seconds: of one processor's time, about.  gap: share of the cost within which an answer is proved.
        start: values of some columns to begin from.  nodes: of the search tree, at most.

        >>> model = Model()
        >>> model.row([(model.column(high=10.0, cost=-1.0, whole=True), 2.0)], high=7.0)
        >>> found = model.solve(seconds=1.0, gap=0.0)
        >>> found.values.round(6).tolist(), round(found.objective, 6), found.done
        ([3.0], -3.0, True)
        """
        try:
            import highspy
        except ImportError as error:
            raise NoSolver("the solver (highspy) is not installed") from error
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), len(self.row_low)
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = map(np.array, (self.cost, self.low, self.high))
        lp.row_lower_, lp.row_upper_ = np.array(self.row_low), np.array(self.row_high)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.num_col_, lp.a_matrix_.num_row_ = lp.num_col_, lp.num_row_
        lp.a_matrix_.start_ = np.array(self.starts, dtype=np.int32)
        lp.a_matrix_.index_ = np.array(self.index, dtype=np.int32)
        lp.a_matrix_.value_ = np.array(self.value, dtype=np.float64)
        kinds = highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger
        lp.integrality_ = [kinds[whole] for whole in self.whole]
        # the class that highspy wraps around it prints a banner to stdout
        solver = getattr(highspy, "_Highs", highspy.Highs)()
        options = {
            "output_flag": False,
            "log_to_console": False,
            "time_limit": max(seconds, 0.05) * CLOCK_PER_SECOND,
            "mip_rel_gap": gap,
            "mip_abs_gap": 1e-6,
            "mip_max_nodes": nodes,
            "mip_allow_restart": False,  # here a restart costs time and finds nothing
            "threads": 1,
            "random_seed": 0,
        }
        for name, value in options.items():
            solver.setOptionValue(name, value)
        solver.passModel(lp)
        if start:
            columns = np.fromiter(start, dtype=np.int32, count=len(start))
            solver.setSolution(len(start), columns, np.array(list(start.values()), dtype=np.float64))
        solver.run()
        info, state = solver.getInfo(), solver.getModelStatus()
        if info.primal_solution_status != _FEASIBLE:
            raise NoSolver(f"the solver found no plan ({solver.modelStatusToString(state)})")
        objective = float(info.objective_function_value)
        done = state == highspy.HighsModelStatus.kOptimal
        least = info.mip_dual_bound if any(self.whole) else objective if done else -np.inf
        values = np.array(solver.getSolution().col_value, dtype=np.float64)
        if start and not np.isclose(float(lp.col_cost_ @ values), objective, rtol=1e-6, atol=1e-6):
            # seen in HiGHS 1.16: now and then it hands back the start in place of what it found
            return self.solve(seconds, gap, None, nodes)
        return Solved(values, objective, float(least), done)
