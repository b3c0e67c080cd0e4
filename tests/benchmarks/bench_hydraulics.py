"""Time of the hydraulic solution against EPANET's of the same network; prints, asserts nothing.

    python tests/benchmarks/bench_hydraulics.py

Both sides are run in the same process, alternately, and the middle of the repeats is shown. EPANET is timed
as wntr's users run it (write the input, solve, read all results) and, to be fair to it, as its bare engine on
an input already written.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from hydraulics.epanet_network import Layout, inp_text, run_epanet  # noqa: E402

from scheduler.core.hydraulics.zone import zone_solution, zone_solutions  # noqa: E402
from scheduler.model import Mainline, Rows, Supply, Tape  # noqa: E402

SPACING = 0.3048
TAPE = Tape("bench", 0.0497, 82.74, 0.5, SPACING, 0.0159)
SUPPLY = Supply(flow_lpm=1e6, pressure_kpa=82.74, mainline=Mainline(0.0254, 60.0))


def layout(rows: int, emitters: int) -> Layout:
    return Layout(Rows(rows, emitters * SPACING, 0.9), TAPE, SUPPLY)


def solve(at: Layout) -> float:
    return zone_solution(at.rows, at.tape, at.supply).flow_lpm


def milliseconds(work: Callable[[], object], repeats: int) -> list[float]:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return times


def against_epanet(at: Layout, repeats: int = 7) -> None:
    import wntr

    start = Path.cwd()
    with tempfile.TemporaryDirectory() as name:
        os.chdir(name)  # the simulator leaves its files where it stands
        try:
            folder = Path(name)
            (folder / "model.inp").write_text(inp_text([at]))
            with warnings.catch_warnings():  # that the roughness keeps its unit, as it should
                warnings.filterwarnings("ignore", message="Changing the headloss formula")
                network = wntr.network.WaterNetworkModel("model.inp")

            def by_wntr() -> object:
                return wntr.sim.EpanetSimulator(network).run_sim()

            def by_engine() -> None:
                from wntr.epanet.toolkit import ENepanet

                engine = ENepanet()
                engine.ENopen("model.inp", "model.rpt", "model.bin")
                engine.ENsolveH()
                engine.ENclose()

            own, whole, bare = [], [], []
            for work in (lambda: solve(at), by_wntr, by_engine):
                work()  # warm
            for _ in range(repeats):
                own += milliseconds(lambda: solve(at), 3)
                whole += milliseconds(by_wntr, 1)
                bare += milliseconds(by_engine, 1)
            found = run_epanet([at], folder)[0]
        finally:
            os.chdir(start)
    total = sum(float(row.flow_lpm.sum()) for row in found)
    mine, theirs, engine_only = (statistics.median(times) for times in (own, whole, bare))
    print(f"{at.rows.count} rows x {at.rows.length_m / SPACING:.0f} emitters and their supply line")
    print(f"  here                  {mine:8.2f} ms   {solve(at):.5f} L/min")
    print(f"  EPANET through wntr   {theirs:8.2f} ms   {total:.5f} L/min   {theirs / mine:.0f} times as long")
    print(f"  EPANET's engine alone {engine_only:8.2f} ms   {engine_only / mine:.1f} times as long")


def cost_curve() -> None:
    print("rows (100 emitters each, one supply line)   ms")
    for rows in (1, 2, 5, 10, 15, 20, 25, 30, 35, 40):
        at = layout(rows, 100)
        solve(at)
        print(f"  {rows:3d}  {statistics.median(milliseconds(lambda at=at: solve(at), 9)):8.2f}")
    together = [(layout(10, 100).rows, TAPE)] * 8
    times = milliseconds(lambda: zone_solutions(together, SUPPLY), 5)
    print(f"  8 zones of 10 rows in one call: {statistics.median(times):.2f}")


if __name__ == "__main__":
    against_epanet(layout(20, 100))
    cost_curve()
