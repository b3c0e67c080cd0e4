"""Reading a garden: CPU and peak memory of a process that does nothing else, beside importing its libraries.

    python tests/benchmarks/bench_garden.py [ROUNDS]

Reference, in the same run and in turn: a Python that imported pydantic and yaml.  Best of the rounds; no
timed assertion.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
REFERENCE = "import yaml; from pydantic import BaseModel, Field"
READING = (
    "from pathlib import Path; from scheduler.garden.file import load;"
    "load(Path('examples/creekside/garden.yaml'))"
)
USED = (
    "; import resource; used = resource.getrusage(resource.RUSAGE_SELF)"
    "; print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)"
)


def used_by(code: str) -> tuple[float, float]:
    """(CPU seconds, peak MB) of a fresh Python that runs `code`."""
    ran = subprocess.run(
        [sys.executable, "-c", code + USED], capture_output=True, text=True, check=True, cwd=ROOT
    )
    cpu_s, peak_mb = map(float, ran.stdout.split())
    return cpu_s, peak_mb


def main(rounds: int) -> None:
    codes = {"reference": REFERENCE, "reading": READING}
    for code in codes.values():
        used_by(code)  # writes the bytecode
    seen = [{name: used_by(code) for name, code in codes.items()} for _ in range(rounds)]
    best = {name: [min(one[name][k] for one in seen) for k in (0, 1)] for name in codes}
    for name, (cpu_s, peak_mb) in best.items():
        print(f"{name}: {cpu_s:.3f} CPU s, {peak_mb:.1f} MB")
    ratios = [ours / theirs for ours, theirs in zip(best["reading"], best["reference"], strict=True)]
    print(f"ratio: {ratios[0]:.2f} CPU, {ratios[1]:.2f} memory")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
