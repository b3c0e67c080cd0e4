"""Cost of planning a week: CPU seconds and memory over 3 to 200 zones.

Run as a script: `python tests/benchmarks/bench_week.py [zones ...]`.  It prints, and asserts nothing.

Each size is a process of its own that first imports what the daily job imports; the memory is what planning
adds to that at its highest.  Gardens are made up: `ample` has twice the flow it needs, `tight` about as much
as it needs, `short` two thirds.  Goals: 12 zones 1 s and 120 MB, 200 zones 30 s.

Before them, five weeks of 12 zones for which a packed plan without any stress is known, and the same with
every zone at or past its RAW on the first morning, beside a bound that no plan can beat.  Goals of the first:
stress below 0.005 in each, 1 s.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from time import process_time

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from core.week_gardens import broken_rules, packed_week, week  # noqa: E402

from scheduler.core.week.plan import plan_week  # noqa: E402
from scheduler.core.week.problem import Week  # noqa: E402

SIZES = (3, 6, 12, 25, 50, 100, 200)
SUPPLY = {"ample": 2.0, "tight": 1.05, "short": 0.67}
WINDOW = 360.0


def garden(zones: int, supply: float, seed: int = 1) -> Week:
    """Loams and sands, seven allowed mornings of which one is not, some rain in sight, some doubt."""
    rng = np.random.default_rng(seed)
    taw = rng.uniform(20, 70, zones)
    raw = taw * rng.uniform(0.35, 0.5, zones)
    etc = rng.uniform(2.5, 6, zones) * rng.uniform(0.7, 1.2, (7, 1))
    net, flow = rng.uniform(0.05, 0.15, zones), rng.uniform(5, 15, zones)
    window = np.where(np.arange(7) == 3, 0.0, WINDOW)
    need_lpm = float((flow / net * etc.sum(axis=0)).sum() / window.sum())
    rain = np.where(np.arange(7)[:, None] == 4, 6.0, 0.0)
    return week(
        zones, taw=taw, raw=raw, trigger=raw * 0.5, etc=etc, etc_sd=0.5, deficit_sd=1.0, net_per_minute=net,
        flow_lpm=flow, window=window, deficit=raw * rng.uniform(0.1, 0.9, zones),
        rain_eff=rain, rain_chance=0.5,
        usable_lpm=max(need_lpm * supply, float(flow.max())), ky=rng.choice([0.85, 1.0, 1.15], zones),
    )  # fmt: skip


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def one(zones: int, name: str) -> None:
    import scheduler.daily  # noqa: F401

    ahead = garden(zones, SUPPLY[name])
    before, begin = peak_mb(), process_time()
    plan = plan_week(ahead)
    spent, memory = process_time() - begin, peak_mb() - before
    begin = process_time()
    steps = plan_week(ahead, solver=False, why_short=False)
    by_steps = process_time() - begin
    wrong = len(broken_rules(ahead, plan)) + len(broken_rules(ahead, steps))
    print(
        f"{zones:5d}  {name:6s} {spent:8.2f} {memory:8.0f}  {plan.method:9s} {plan.score.loss:10.3f}"
        f" {by_steps:8.2f} {steps.score.loss:10.3f}  {wrong or ''} {plan.note}",
        flush=True,
    )


def known() -> None:
    print("week   first morning    CPU s     stress      bound  litres off the triggers")
    for dry in (False, True):
        for seed in range(5):
            ahead, _ = packed_week(12, seed)
            if dry:
                rng = np.random.default_rng(seed)
                ahead = replace(ahead, deficit=ahead.raw[0] * rng.uniform(1, 1.5, 12))
            begin = process_time()
            plan = plan_week(ahead, seconds=8.0)
            spent, wrong = process_time() - begin, len(broken_rules(ahead, plan))
            print(
                f"{seed:4d}   {'all dry' if dry else 'as packed':13s} {spent:8.2f} {plan.score.loss:10.4f}"
                f" {plan.best_loss:10.4f} {plan.score.departures_l:10.0f}  {wrong or ''} {plan.note}",
                flush=True,
            )


def main() -> None:
    known()
    sizes = [int(a) for a in sys.argv[1:]] or list(SIZES)
    print("zones  supply    CPU s       MB  method         stress  steps s     stress")
    for zones in sizes:
        for name in SUPPLY:
            subprocess.run([sys.executable, __file__, "one", str(zones), name], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        one(int(sys.argv[2]), sys.argv[3])
    else:
        main()
