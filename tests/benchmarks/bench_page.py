"""The page for phones against the bare framework that it stands on, and against its own parts.

Run as a script: `python tests/benchmarks/bench_page.py [rounds]`.  It prints, and asserts no time.

Goals: the first byte of *today* from a cold start with a handed-over socket at most 2 times `import` of the
framework; a warm *today* at most 20 times a json.loads of today.json and a template of the same size; *zone*
over 10 stored seasons at most 2 times one season's; the process's memory at most 1.3 times that of the
framework which has served one answer; *today* with styles and script at most 60 kB.

Processor time (what the kernel counts of the process), alternated with its measure, so that a busy machine
weighs on both alike; medians. *zone*, which a child works out, by the wall clock.
"""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median

import requests
from jinja2 import Environment

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))
from web.browser import forms  # noqa: E402 - beside the path

CREEKSIDE = ROOT / "examples" / "creekside"
IMPORTS = "import starlette.applications, uvicorn"
BARE = """
import os, socket, sys
import jinja2, uvicorn
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route
page = jinja2.Environment().from_string("<p>{{ word }}</p>")
async def hello(request):
    return HTMLResponse(page.render(word="hello"))
app = Starlette(routes=[Route("/", hello)])
config = uvicorn.Config(app, http="h11", ws="none", lifespan="off", log_config=None, access_log=False)
uvicorn.Server(config).run([socket.socket(fileno=int(sys.argv[1]))])
"""
PAGE = """
import os, sys
os.dup2(int(sys.argv[1]), 3)
os.environ |= {"LISTEN_FDS": "1", "LISTEN_PID": str(os.getpid())}
sys.argv = ["rowwater", "page"]
from scheduler.cli.main import main
main()
"""


class Bench:
    """One garden with its page: a listening socket that each start is handed."""

    def __init__(self, folder: Path, seasons: int) -> None:
        self.folder = folder
        self.door = socket.create_server(("127.0.0.1", 0))
        self.port = self.door.getsockname()[1]
        folder.mkdir(exist_ok=True)
        (folder / "garden.yaml").write_text(_garden(seasons) + f"page: 127.0.0.1:{self.port}\n")
        (folder / "weather.csv").write_text(_weather(seasons))
        self.environ = os.environ | {
            "PYTHONPATH": str(ROOT), "ROWWATER_DATA": str(folder / "data"),
            "ROWWATER_CONFIG": str(folder / "garden.yaml"),
        }  # fmt: skip
        for day in ("2015-07-08", "2015-07-09"):
            self.rowwater("day", "--date", day)
        self.session = requests.Session()

    def rowwater(self, *words: str) -> str:
        run = "import sys; from scheduler.cli.main import main; main(sys.argv[1:])"
        done = subprocess.run(
            [sys.executable, "-c", run, *words], env=self.environ, capture_output=True, text=True, timeout=600
        )
        if done.returncode not in (0, 3):
            raise SystemExit(done.stderr)
        return done.stdout

    def start(self, program: str = PAGE) -> subprocess.Popen[bytes]:
        number = self.door.fileno()
        return subprocess.Popen(
            [sys.executable, "-P", "-c", program, str(number)], pass_fds=[number], env=self.environ,
            cwd=self.folder, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def get(self, path: str) -> requests.Response:
        answer = self.session.get(f"http://127.0.0.1:{self.port}{path}", timeout=300)
        if answer.status_code != 200:
            raise SystemExit(f"{path}: {answer.status_code}")
        return answer

    def pair(self) -> None:
        (code,) = re.findall(r"Pairing code: (\d{4} \d{4})", self.rowwater("page", "pair"))
        url = f"http://127.0.0.1:{self.port}"
        fields = forms(self.get("/pair").text)[0].fields | {"code": code, "name": "bench"}
        self.session.post(f"{url}/pair", data=fields, headers={"Origin": url}, timeout=60)


def _garden(seasons: int) -> str:
    """The same beds grown in each of the years before, too."""
    text = (CREEKSIDE / "garden.yaml").read_text()
    if seasons == 1:
        return text
    lines = []
    for line in text.splitlines():
        lines.append(line)
        if "plantings:" in line:
            lines += [
                f"      - {{crop: staked tomato, planted: {year}-05-01, pulled: {year}-09-12}}"
                for year in range(2016 - seasons, 2015)
            ]
    return "\n".join(lines) + "\n"


def _weather(seasons: int) -> str:
    head, *rows = (CREEKSIDE / "weather.csv").read_text().splitlines()
    rows = [row for row in rows if row.startswith("2015") and not row.startswith("2015-02-29")]
    found = [head]
    for year in range(2016 - seasons, 2016):
        found += [f"{year}{row[4:]}" for row in rows]
    return "\n".join(found) + "\n"


def used(process: int) -> float:
    """Seconds of processor that a process has had so far, its threads together."""
    tasks = Path(f"/proc/{process}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def imports() -> float:
    child = subprocess.Popen([sys.executable, "-c", IMPORTS])
    _, status, rusage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    return rusage.ru_utime + rusage.ru_stime


def seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def ended(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(30)


def memory_mb(process: subprocess.Popen[bytes]) -> float:
    """What is its own alone (PSS): pages that it shares with others count in part."""
    text = Path(f"/proc/{process.pid}/smaps_rollup").read_text()
    return int(re.findall(r"(?m)^Pss:\s+(\d+) kB", text)[0]) / 1024


def say(label: str, mine: float, other: float, unit: str, goal: float) -> None:
    ratio = f"ratio {mine / other:5.2f}   (goal: at most {goal:g})"
    print(f"{label:44} {mine:8.1f} {unit}   against {other:8.1f} {unit}   {ratio}", flush=True)


def cold(bench: Bench, rounds: int) -> None:
    mine, bare = [], []
    for _ in range(rounds):
        bench.session.close()
        page = bench.start()
        bench.get("/")
        mine.append(used(page.pid))
        ended(page)
        bare.append(imports())
    say("today, first byte from a cold start", median(mine) * 1e3, median(bare) * 1e3, "ms", 2)


def warm(bench: Bench, process: int, rounds: int) -> None:
    text = (bench.folder / "data" / "today.json").read_text()
    page = bench.get("/").text
    pieces = [page[n : n + 60] for n in range(0, len(page), 60)]
    template = Environment(autoescape=True).from_string("{% for one in pieces %}{{ one }}{% endfor %}")
    mine, bare = [], []
    for _ in range(rounds * 5):
        before = used(process)
        bench.get("/")
        mine.append(used(process) - before)
        begin = time.process_time()
        json.loads(text)
        template.render(pieces=pieces)
        bare.append(time.process_time() - begin)
        time.sleep(0.25)  # no faster than a client may ask
    say("today, warm, over the socket", median(mine) * 1e3, median(bare) * 1e3, "ms", 20)
    weight = sum(len(bench.get(path).content) for path in ("/", "/static/style.css", "/static/live.js"))
    print(f"{'today with styles and script':44} {weight / 1e3:8.1f} kB   (goal: at most 60)")


def memory(bench: Bench) -> None:
    bare = bench.start(BARE)
    bench.session.close()
    bench.get("/")
    framework = memory_mb(bare)
    ended(bare)
    page = bench.start()
    bench.session.close()
    for _ in range(5):
        bench.get("/")
    mine = memory_mb(page)
    ended(page)
    say("memory of the process", mine, framework, "MB", 1.3)


def zone(one: Bench, ten: Bench, rounds: int) -> None:
    found: dict[int, list[float]] = {1: [], 10: []}
    running = [one.start(), ten.start()]
    for _ in range(rounds):
        for seasons, bench in ((1, one), (10, ten)):
            (bench.folder / "data" / "today.json").touch()  # else the answer of before still holds
            found[seasons].append(seconds(partial(bench.get, "/zone/tomatoes")))
    for process in running:
        ended(process)
    say("zone over 10 stored seasons, against one", median(found[10]) * 1e3, median(found[1]) * 1e3, "ms", 2)


def main(rounds: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        one, ten = Bench(Path(name) / "one", 1), Bench(Path(name) / "ten", 10)
        for bench in (one, ten):
            running = bench.start()
            bench.pair()
            ended(running)
        cold(one, rounds)
        running = one.start()
        warm(one, running.pid, rounds)
        ended(running)
        memory(one)
        zone(one, ten, max(rounds // 2, 2))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
