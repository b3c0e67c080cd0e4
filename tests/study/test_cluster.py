"""Seasons carried by real Dask processes: killed workers, a killed study, a lost scheduler."""

from __future__ import annotations

import os
import random
import re
import shlex
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import distributed
import pytest
from distributed import Client, LocalCluster

from scheduler.errors import BadInput
from scheduler.garden.file import load_text
from scheduler.study.cluster import carried_by, elsewhere
from scheduler.study.seasons import How, Piece, Record
from scheduler.study.worker import PLUGIN
from scheduler.study.years import season_of
from scheduler.weather.files import daily

ROOT = Path(__file__).parents[2]
CREEKSIDE = ROOT / "examples" / "creekside"
GARDEN = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: us
supply: {flow: 3 gpm, pressure: 12 psi}
tapes: {thin: {flow: 0.40 gpm/100ft, rated_at: 12 psi}}
zones:
  lettuce:
    rows: {count: 6, length: 60 ft, spacing: 18 in}
    tape: thin
    soil: sandy loam
    plantings:
      - {crop: lettuce, planted: 2015-06-05, pulled: 2015-07-20}
"""
STUDY = (
    "study", "--weather", "weather.csv", "--vary", "supply.flow=1,1.5,2gpm", "--vary",
    "zones.lettuce.refill_at=0.3,0.5,0.7",
)  # fmt: skip
LONGER = ("--vary", "supply.days=all,even", "--vary", "zones.lettuce.tape_depth=1in,2in,3in")
SEASONS = 10 * 4
IMPATIENT = """
import sys
from scheduler.study import cluster
cluster.WAIT_S = 3
from scheduler.cli.main import main
main(sys.argv[1:])
"""
WAIT_S = 120
"""For processes on a busy machine."""

Start = Callable[..., "subprocess.Popen[str]"]


def hears_ctrl_c() -> None:
    """What a shell begins in its background is deaf to it, and so is all that it begins in turn."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def set_up(folder: Path) -> Path:
    shutil.copy(CREEKSIDE / "weather.csv", folder)
    (folder / "garden.yaml").write_text(GARDEN)
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return set_up(tmp_path)


@pytest.fixture
def start(folder: Path) -> Iterator[Start]:
    with starting(folder) as begin:
        yield begin


@contextmanager
def starting(folder: Path) -> Iterator[Start]:
    """Processes that end with the test, or with whatever else it is for."""
    running: list[subprocess.Popen[str]] = []

    def begin(*words: str, **more: str) -> subprocess.Popen[str]:
        environment = {key: value for key, value in os.environ.items() if not key.startswith("ROWWATER_")}
        environment |= {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"} | more
        running.append(
            subprocess.Popen(
                [sys.executable, *words], cwd=folder, env=environment, text=True, stdout=subprocess.PIPE,
                stderr=subprocess.PIPE, start_new_session=True,
                preexec_fn=hears_ctrl_c,  # noqa: PLW1509 - it takes no lock
            )
        )  # fmt: skip
        return running[-1]

    yield begin
    for one in running:
        if one.poll() is None:
            os.killpg(one.pid, signal.SIGKILL)
        one.communicate()


def rowwater(*args: str, keep: str) -> list[str]:
    place = ["--config", "garden.yaml", "--data", "data"]
    return ["-m", "scheduler.cli.main", *place, *args, "--keep", keep, "--json"]


def python_of(site: Path | None, module: str) -> list[str]:
    """What runs a module; site: with the packages of that folder alone."""
    if site is None:
        return ["-m", module]
    run = f"runpy.run_module({module!r}, run_name='__main__')"
    return ["-I", "-S", "-c", f"import runpy, sys; sys.path.append({str(site)!r}); {run}"]


def scheduler(start: Start, *, site: Path | None = None) -> tuple[str, subprocess.Popen[str]]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    return f"tcp://127.0.0.1:{port}", scheduler_at(start, port, site=site)


def scheduler_at(start: Start, port: int, *, site: Path | None = None) -> subprocess.Popen[str]:
    words = ("--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    deaths = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "50"}
    return start(*python_of(site, "distributed.cli.dask_scheduler"), *words, **deaths)


def worker(start: Start, address: str, *, site: Path | None = None, **more: str) -> subprocess.Popen[str]:
    words = (address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--memory-limit", "0")
    return start(*python_of(site, "distributed.cli.dask_worker"), *words, **more)


def without_rowwater(folder: Path) -> Path:
    """A folder of all packages that lie beside Dask's, but this program's."""
    site = folder / "site"
    site.mkdir()
    for path in Path(distributed.__file__).parents[1].iterdir():
        if not path.name.startswith(("rowwater", "scheduler", "__editable__")):
            (site / path.name).symlink_to(path)
    return site


def edited(folder: Path) -> Path:
    """A copy of the program that differs by a comment."""
    other = folder / "other"
    shutil.copytree(
        ROOT / "scheduler", other / "scheduler", symlinks=False, ignore=shutil.ignore_patterns("__pycache__")
    )
    with (other / "scheduler" / "clock.py").open("a") as file:
        file.write("\n# edited\n")
    return other


def goes_on(hint: str) -> list[str]:
    """The command that the hint tells, as the tests start it."""
    words = shlex.split(hint.partition("go on with: ")[2])
    assert words[0] == "rowwater"
    return ["-m", "scheduler.cli.main", *words[1:]]


def kept(file: Path) -> int:
    try:
        with sqlite3.connect(file) as store:
            return int(store.execute("SELECT count(*) FROM season").fetchone()[0])
    except sqlite3.Error:
        return 0


def until(true: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.05)


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the study says without Dask, in a folder of its own."""
    folder = set_up(tmp_path_factory.mktemp("alone"))
    with starting(folder) as start:
        words = rowwater(*STUDY, "--workers", "0", keep="alone.db")
        out, err = start(*words).communicate(timeout=WAIT_S)
    assert out, err
    return wherever(folder, out)


def wherever(folder: Path, out: str) -> str:
    """What a study said, but for the folder that it ran in, which stands in it once."""
    assert out.count(str(folder)) <= 1
    return out.replace(str(folder), "")


def test_workers_die_and_come_back_and_the_table_is_the_same(start: Start, folder: Path, alone: str) -> None:
    address, _ = scheduler(start)
    workers = [worker(start, address) for _ in range(2)]
    study = start(*rowwater(*STUDY, "--cluster", address, keep="cluster.db"))
    draw = random.Random(1)
    for done in (2, 12, 24):
        until(lambda done=done: kept(folder / "cluster.db") >= done or study.poll() is not None, "no season")
        if study.poll() is None:
            victim = workers.pop(draw.randrange(2))
            os.kill(victim.pid, signal.SIGKILL)
            workers.append(worker(start, address))
    out, err = study.communicate(timeout=WAIT_S)
    assert study.returncode == 0, err
    assert kept(folder / "cluster.db") == SEASONS
    assert wherever(folder, out) == alone


def test_a_killed_study_goes_on_by_the_same_command(start: Start, folder: Path, alone: str) -> None:
    for workers, least in (("0", 3), ("2", 12)):
        study = start(*rowwater(*STUDY, "--workers", workers, keep="killed.db"))
        until(lambda least=least: kept(folder / "killed.db") >= least, "no season")
        os.killpg(study.pid, signal.SIGKILL)
        study.communicate()
    before = kept(folder / "killed.db")
    assert 12 <= before < SEASONS
    out, err = start(*rowwater(*STUDY, "--workers", "1", keep="killed.db")).communicate(timeout=WAIT_S)
    assert kept(folder / "killed.db") == SEASONS, err
    assert wherever(folder, out) == alone


@pytest.mark.parametrize("workers", ["0", "2"])
def test_ctrl_c_loses_nothing_and_says_how_to_go_on(start: Start, folder: Path, workers: str) -> None:
    """A terminal sends it to the whole group of processes."""
    study = start(*rowwater(*STUDY, *LONGER, "--workers", workers, keep="stopped.db"))
    until(lambda: kept(folder / "stopped.db") >= 2, "no season")
    os.killpg(study.pid, signal.SIGINT)
    out, err = study.communicate(timeout=WAIT_S)
    assert (study.returncode, out) == (1, ""), err
    lines = err.strip().splitlines()
    assert lines[0] == "rowwater: stopped; finished seasons are kept"
    assert len(lines) == 2, err
    assert goes_on(lines[1])[2:] == rowwater(*STUDY, *LONGER, "--workers", workers, keep="stopped.db")[2:]
    assert 2 <= kept(folder / "stopped.db") < (9 * 6 + 1) * 4


def test_a_lost_cluster_ends_the_study_with_what_is_done_and_how_to_go_on(
    start: Start, folder: Path, alone: str
) -> None:
    address, process = scheduler(start)
    worker(start, address)
    study = start(*rowwater(*STUDY, "--cluster", address, keep="lost.db"))
    until(lambda: kept(folder / "lost.db") >= 2, "no season")
    os.kill(process.pid, signal.SIGKILL)
    out, err = study.communicate(timeout=WAIT_S)
    assert study.returncode == 1
    assert not out
    assert f"the cluster at {address} went away" in err
    assert "finished seasons are kept" in err
    assert "Traceback" not in err
    before = kept(folder / "lost.db")
    assert 2 <= before < SEASONS
    again = goes_on(err.splitlines()[-1])
    assert again[2:] == rowwater(*STUDY, "--cluster", address, keep="lost.db")[2:]
    scheduler_at(start, int(address.rpartition(":")[2]))  # on another day, at its old address
    worker(start, address)
    out, err = start(*again).communicate(timeout=WAIT_S)
    assert kept(folder / "lost.db") == SEASONS, err
    assert wherever(folder, out) == alone


def test_no_cluster_and_no_worker_are_told(start: Start, folder: Path) -> None:
    study = start("-c", IMPATIENT, *rowwater(*STUDY, "--cluster", "tcp://127.0.0.1:9", keep="none.db")[2:])
    out, err = study.communicate(timeout=WAIT_S)
    assert (study.returncode, out) == (1, "")
    assert err.startswith("rowwater: no cluster at tcp://127.0.0.1:9")
    assert "Traceback" not in err
    address, _ = scheduler(start)
    begin = time.monotonic()
    study = start("-c", IMPATIENT, *rowwater(*STUDY, "--cluster", address, keep="none.db")[2:])
    out, err = study.communicate(timeout=WAIT_S)
    assert (study.returncode, out) == (1, "")
    assert err.splitlines() == [
        f"rowwater: the scheduler at {address} has no worker", f"  hint: start some: dask worker {address}",
    ]  # fmt: skip
    assert time.monotonic() - begin < WAIT_S / 2


@pytest.mark.parametrize(
    "typed", ["tcp://127.0.0.1:287x", "127.0.0.1:8786:1", "htp://127.0.0.1:8786", "tcp://127.0.0.1"]
)
def test_what_is_no_address_is_told_at_once(typed: str) -> None:
    with pytest.raises(BadInput, match="is not the address of a scheduler"), elsewhere(typed, print):
        pass


def test_a_worker_of_another_version_is_refused_in_a_line(start: Start, folder: Path) -> None:
    address, _ = scheduler(start)
    worker(start, address, PYTHONPATH=str(edited(folder)))
    study = start(*rowwater(*STUDY, "--cluster", address, keep="other.db"))
    out, err = study.communicate(timeout=WAIT_S)
    assert (study.returncode, out) == (1, "")
    lines = err.strip().splitlines()
    assert len(lines) == 2, err
    assert "counts with another version: rowwater" in lines[0]
    assert lines[1].startswith("  hint: install this version of rowwater")
    assert kept(folder / "other.db") == 0


def test_a_worker_of_another_version_that_joins_late_ends_the_study_in_a_line(
    start: Start, folder: Path
) -> None:
    """What was done is kept, and the command that is printed goes on once that worker is gone."""
    address, _ = scheduler(start)
    worker(start, address)
    study = start(*rowwater(*STUDY, *LONGER, "--cluster", address, keep="late.db"))
    until(lambda: kept(folder / "late.db") >= 2, "no season")
    stranger = worker(start, address, PYTHONPATH=str(edited(folder)))
    out, err = study.communicate(timeout=WAIT_S)
    assert (study.returncode, out) == (1, ""), err
    lines = err.strip().splitlines()
    assert len(lines) == 2, err
    assert re.fullmatch(
        r"rowwater: the worker tcp://127\.0\.0\.1:\d+ counts with another version: rowwater \S+ \(\w+\) "
        r"\(here \S+ \(\w+\)\); finished seasons are kept",
        lines[0],
    )
    before = kept(folder / "late.db")
    assert 2 <= before < (9 * 6 + 1) * 4
    os.kill(stranger.pid, signal.SIGKILL)
    start(*goes_on(lines[1]))
    until(lambda: kept(folder / "late.db") > before, "it does not go on")


@pytest.mark.parametrize("who", ["worker", "scheduler"])
def test_without_rowwater_it_is_told_in_a_line(start: Start, folder: Path, who: str) -> None:
    """A real process of an environment that has Dask, and everything else but this program."""
    site = without_rowwater(folder)
    address, _ = scheduler(start, site=site if who == "scheduler" else None)
    one = worker(start, address, site=site if who == "worker" else None)
    study = start(*rowwater(*STUDY, "--cluster", address, keep="bare.db"))
    out, err = study.communicate(timeout=WAIT_S)
    assert one.poll() is None
    assert (study.returncode, out) == (1, "")
    lines = err.strip().splitlines()
    assert len(lines) == 2, err
    assert lines[0].startswith(f"rowwater: the {who} ")
    assert "has no rowwater" in lines[0]
    assert "No module named 'scheduler'" in lines[0]
    assert lines[1].startswith("  hint: install this version of rowwater")


def weathers(client: Client) -> list[str]:
    """What the scheduler hands to workers that come."""
    there = client.run_on_scheduler(lambda dask_scheduler: list(dask_scheduler.worker_plugins))
    return [name for name in there if name.startswith(PLUGIN)]


@pytest.mark.parametrize("workers", [1, 3])
def test_the_weather_goes_to_each_worker_once(workers: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted where it is packed and unpacked; over several gardens too, and for one that joins late."""
    counted: Counter[str] = Counter()
    for name in ("__getstate__", "__setstate__"):
        real = getattr(Record, name)

        def counting(*args: Any, name: str = name, real: Callable[..., Any] = real) -> Any:
            counted[name] += 1
            return real(*args)

        monkeypatch.setattr(Record, name, counting)
    garden = load_text(GARDEN)
    season, record = season_of(garden), Record(daily.read(CREEKSIDE / "weather.csv"))

    def pieces() -> Iterator[Piece]:
        for _ in range(6):
            yield from (Piece((garden,), season, year, How(unlimited=True)) for year in range(2012, 2016))

    with (
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=False, protocol="tcp://",
            dashboard_address="127.0.0.1:0", memory_limit=0,
        ) as processors,
        Client(processors) as client,
    ):  # fmt: skip
        with carried_by(client, "the workers", print) as carry:
            outcomes = [found for _ in range(2) for _, found in carry(pieces(), record)]
            assert len(outcomes) == 2 * 24
            assert counted == {"__getstate__": 1, "__setstate__": workers}
            processors.scale(workers + 1)
            client.wait_for_workers(workers + 1)
            outcomes += [found for _, found in carry(pieces(), record)]
            assert counted == {"__getstate__": 1, "__setstate__": workers + 1}
        between = client.run(lambda dask_worker: len(dask_worker.transfer_incoming_log))
        assert list(between.values()) == [0] * (workers + 1)
        assert weathers(client) == []
    assert len({str(found) for found in outcomes}) == 4


def test_where_no_worker_is_left_it_is_told_and_the_study_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduler.study.cluster.QUIET_S", 0.5)
    garden, told = load_text(GARDEN), list[str]()
    pieces = [Piece((garden,), season_of(garden), 2012 + n % 4, How(unlimited=True)) for n in range(20)]
    with (
        LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://",
            dashboard_address="127.0.0.1:0", memory_limit=0,
        ) as processors,
        Client(processors) as client,
    ):  # fmt: skip

        def tell(text: str) -> None:
            told.append(text)
            processors.scale(1)

        with carried_by(client, "the workers", tell) as carry:
            seasons = carry(pieces, Record(daily.read(CREEKSIDE / "weather.csv")))
            done = [next(seasons)[0]]
            processors.scale(0)
            until(lambda: not client.nthreads(), "the worker stays")
            done += [piece for piece, _ in seasons]
    assert sorted(piece.year for piece in done) == sorted(piece.year for piece in pieces)
    assert told == ["no worker is left; the study goes on when one comes, and Ctrl-C keeps what is done"]


def test_the_weather_of_a_killed_study_does_not_stay_on_the_cluster(start: Start, folder: Path) -> None:
    address, _ = scheduler(start)
    worker(start, address)
    study = start(*rowwater(*STUDY, *LONGER, "--cluster", address, keep="killed.db"))
    until(lambda: kept(folder / "killed.db") >= 2, "no season")
    os.killpg(study.pid, signal.SIGKILL)

    with Client(address) as client:
        assert len(weathers(client)) == 1
        until(
            lambda: client.run_on_scheduler(lambda dask_scheduler: len(dask_scheduler.clients)) <= 2,
            "the killed client is still known",
        )
        with carried_by(client, "the workers", print):
            assert weathers(client) == []
