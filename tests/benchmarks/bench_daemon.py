"""The idle service: memory of daemon and guard, CPU, wake-ups and disk writes.

    python tests/benchmarks/bench_daemon.py [SECONDS]

Reference, in the same run: a Python that imported apscheduler's background scheduler, sqlalchemy and yaml.
Resident memory (VmRSS) counts shared pages in each process; Pss shares them out. No timed assertion.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from service.shed import Shed

REFERENCE = "import apscheduler.schedulers.background, sqlalchemy, yaml, sys; print('ready', flush=True); sys.stdin.read()"  # noqa: E501
DAY_S = 86_400
TICKS_S = 100.0  # of /proc/PID/stat


def memory_mb(pid: int) -> tuple[float, float]:
    """(resident, proportional share) in MB."""
    found = {}
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:]:
        name, value = line.split()[:2]
        found[name.rstrip(":")] = int(value) / 1024
    return found["Rss"], found["Pss"]


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S


def written_bytes(pid: int) -> int:
    for line in Path(f"/proc/{pid}/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    return 0


def wake_ups(pid: int) -> int:
    """Of all its threads: how often one gave up the processor to wait, and so was woken again."""
    mark, found = "voluntary_ctxt_switches:", 0
    for status in Path(f"/proc/{pid}/task").glob("*/status"):
        found += sum(int(row.split()[1]) for row in status.read_text().splitlines() if row.startswith(mark))
    return found


def main(seconds: float) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", REFERENCE], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        reference = memory_mb(other.pid)
        other.communicate()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        shed = Shed(Path(folder), beat=30.0, tick="0.5")
        shed.plan([("a", 1, -7200.0, 1.0)])  # a plan of this morning, long over: nothing is due
        shed.start()
        shed.kill(15)  # the first start makes the database; the second is the usual one
        shed.start()
        time.sleep(10)
        assert shed.process is not None
        guard = shed.guard_pid()
        assert guard is not None
        pids = (shed.process.pid, guard)
        before = [(cpu_s(pid), written_bytes(pid), wake_ups(pid)) for pid in pids]
        time.sleep(seconds)
        after = [(cpu_s(pid), written_bytes(pid), wake_ups(pid)) for pid in pids]
        memory = [memory_mb(pid) for pid in pids]
        shed.end()
    rss, pss = (sum(one[k] for one in memory) for k in (0, 1))
    used = sum(a[0] - b[0] for a, b in zip(after, before, strict=True))
    written = sum(a[1] - b[1] for a, b in zip(after, before, strict=True))
    woken = sum(a[2] - b[2] for a, b in zip(after, before, strict=True))
    print(f"reference: {reference[0]:.1f} MB resident, {reference[1]:.1f} MB share")
    print(f"daemon and guard: {memory[0][0]:.1f} + {memory[1][0]:.1f} MB resident, {pss:.1f} MB share")
    print(f"guard alone: {memory[1][0]:.1f} MB resident (goal below 9)")
    print(f"ratio: {rss / reference[0]:.2f} resident, {pss / reference[1]:.2f} share (goal 1.25)")
    print(f"idle CPU: {100 * used / seconds:.2f} % of one core over {seconds:.0f} s")
    print(f"wake-ups of both: {woken / seconds:.2f} a second (goal 2)")
    print(f"idle disk writes: {written} bytes, {written / seconds * DAY_S / 1e6:.3f} MB a day (goal below 1)")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
