"""Power, disks, rights and other programs: no acknowledged row is lost, and no traceback is shown."""

from __future__ import annotations

import fcntl
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from store.samples import DAY, NOW, season_weather, water

from scheduler.errors import CouldNot
from scheduler.store.connection import connect
from scheduler.store.opening import Setup
from scheduler.store.store import Store

HASTY = Setup(patience_s=0.2)


def child(code: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def answer(code: str, *arguments: object) -> str:
    process = child(code, *arguments)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    return out


# --- power ---

ADDING = """
import sys, datetime, pathlib
from scheduler.model import Applied
from scheduler.store.store import Store
now = datetime.datetime(2026, 6, 12, 8, tzinfo=datetime.UTC)
first = int(sys.argv[2])
with Store.open(pathlib.Path(sys.argv[1]), now=now) as store:
    for n in range(first, first + 100_000):
        store.add_applied(Applied("tomatoes", now.date(), 1.0, 1.0, 1.0, 1.0, "done", now, pulse=n))
        print(n, flush=True)
"""


def test_kill_loses_no_acknowledged_row(path: Path) -> None:
    """The kernel survives a kill, so this proves nothing of power cuts: synchronous FULL is for those."""
    acknowledged: list[int] = []
    for attempt, enough in enumerate((1, 3, 17, 40, 90)):
        process = child(ADDING, path, attempt * 100_000)
        assert process.stdout is not None
        for _ in range(enough):
            acknowledged.append(int(process.stdout.readline()))
        process.kill()
        # by the same reader: on a busy machine it holds lines already that communicate() would not see
        rest = process.stdout.read().splitlines(keepends=True)
        acknowledged += [int(line) for line in rest if "\n" in line]
        process.communicate()
        assert process.returncode == -signal.SIGKILL
        with Store.open(path, now=NOW) as store:
            assert store.notices == ()
            kept = [record.pulse for record in store.applied(DAY, DAY)]
        missing = set(acknowledged) - set(kept)
        assert not missing
        # at most the one row under way each time was written and not acknowledged
        assert len(kept) - len(acknowledged) <= attempt + 1
    assert len(acknowledged) >= 151


# --- other programs ---

HOLDING = """
import sqlite3, sys
plain = sqlite3.connect(sys.argv[1], isolation_level=None)
plain.execute("BEGIN " + sys.argv[2])
print("held", flush=True)
sys.stdin.read()
plain.execute("ROLLBACK")
"""


@contextmanager
def held(path: Path, how: str) -> Iterator[subprocess.Popen[str]]:
    process = child(HOLDING, path, how)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.communicate(timeout=30)


def test_locked_by_another_program(path: Path) -> None:
    with Store.open(path, now=NOW, setup=HASTY) as store:
        store.add_applied(water())
        store.add_weather(season_weather(1))
        with held(path, "IMMEDIATE"):
            writes = (
                lambda: store.add_applied(water()),
                lambda: store.add_weather(season_weather(2)),
                lambda: store.begin(DAY),
                lambda: store.add_plan(DAY, NOW, "digest", {}, {}),
            )
            for write in writes:
                began = time.monotonic()
                with pytest.raises(CouldNot, match="locked") as caught:
                    write()
                assert 0.1 < time.monotonic() - began < 3
                assert caught.value.hint is not None
            # reading goes on, in this program and in one that starts now
            assert store.applied(DAY, DAY) == [water()]
            with Store.open(path, now=NOW, setup=HASTY) as other:
                assert other.applied(DAY, DAY) == [water()]
        store.add_applied(water("beans"))
        assert store.add_weather(season_weather(1)) == 0
        assert store.applied(DAY, DAY) == [water(), water("beans")]


def test_a_short_lock_is_waited_for(path: Path) -> None:
    """Read, then write: begun late this fails at once, whatever the patience."""
    with Store.open(path, now=NOW) as store:
        store.add_weather(season_weather(1))
        with held(path, "IMMEDIATE") as process:
            assert process.stdin is not None
            later = threading.Timer(0.5, process.stdin.close)
            later.start()
            began = time.monotonic()
            assert store.add_weather(season_weather(2)) == len(season_weather(1))
            assert time.monotonic() - began > 0.3
            later.join()
            process.wait(timeout=30)
            process.stdin = None


def test_a_plan_made_twice_at_once_is_kept_once(path: Path) -> None:
    with Store.open(path, now=NOW) as store:
        made: list[Any] = []
        threads = [
            threading.Thread(target=lambda n=n: made.append(store.add_plan(DAY, NOW, "a", {"n": n}, {})))
            for n in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert made == [store.plan(DAY)] * 4


def test_a_database_locked_whole_is_not_taken_for_a_broken_one(path: Path) -> None:
    """With a rollback journal an exclusive lock keeps readers out as well."""
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("CREATE TABLE t (x)")
    before = path.read_bytes()
    with held(path, "EXCLUSIVE"), pytest.raises(CouldNot, match="locked"):
        Store.open(path, now=NOW, setup=HASTY)
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == ["rowwater.db"]


def test_one_process_at_a_time_prepares_a_database(path: Path) -> None:
    path.parent.mkdir()
    handle = os.open(path.parent, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(CouldNot, match="busy"):
            Store.open(path, now=NOW, setup=HASTY)
    finally:
        os.close(handle)
    assert list(path.parent.iterdir()) == []
    Store.open(path, now=NOW, setup=HASTY).close()


# --- the disk ---


def test_no_room_left(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own limit on pages answers as a full disk does: https://sqlite.org/rescode.html#full"""
    Store.open(path, now=NOW).close()

    def no_more_pages(path: Path, patience_s: float) -> sqlite3.Connection:
        connection = connect(path, patience_s)
        pages = connection.execute("PRAGMA page_count").fetchone()[0] + 3
        connection.execute(f"PRAGMA max_page_count = {pages}").close()
        return connection

    with Store.open(path, now=NOW) as store, monkeypatch.context() as patched:
        patched.setattr("scheduler.store.store.connect", no_more_pages)
        patched.setattr("scheduler.store.engine.connect", no_more_pages)
        store.add_applied(water())
        with pytest.raises(CouldNot, match="no room left") as caught:
            store.add_weather(season_weather())
        assert caught.value.hint is not None
        assert store.applied(DAY, DAY) == [water()]
        assert store.weather_span() is None
        store.add_applied(water("beans"))
    with Store.open(path, now=NOW) as store:
        assert store.applied(DAY, DAY) == [water(), water("beans")]
        assert store.add_weather(season_weather()) == len(season_weather())


FAILING_DISK = """
import resource, sys, datetime, pathlib
from scheduler.errors import CouldNot
from scheduler.model import Applied
from scheduler.store.store import Store
now = datetime.datetime(2026, 6, 12, 8, tzinfo=datetime.UTC)
with Store.open(pathlib.Path(sys.argv[1]), now=now) as store:
    largest = max(file.stat().st_size for file in store.path.parent.iterdir())
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest + 40_000, resource.RLIM_INFINITY))
    for n in range(1000):
        try:
            store.add_applied(Applied("tomatoes", now.date(), 1.0, 1.0, 1.0, 1.0, "done", now, pulse=n))
        except CouldNot as error:
            print(n, bool(error.hint), error.text)
            break
    assert len(store.applied(now.date(), now.date())) == n
"""


def test_a_disk_that_refuses_writes(path: Path) -> None:
    """The system's limit on file size makes the write itself fail."""
    written, hinted, text = answer(FAILING_DISK, path).split(maxsplit=2)
    assert int(written) > 0
    assert hinted == "True"
    assert "failed" in text
    with Store.open(path, now=NOW) as store:
        assert store.notices == ()
        assert [record.pulse for record in store.applied(DAY, DAY)] == list(range(int(written)))


UNPRIVILEGED = """
import os, sys, datetime, pathlib
from scheduler.errors import CouldNot
from scheduler.store.store import Store
from scheduler.store import migrate  # while it can still be read
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    Store.open(pathlib.Path(sys.argv[1]), now=datetime.datetime(2026, 6, 12, 8, tzinfo=datetime.UTC))
except CouldNot as error:
    print(error.text, "|", error.hint)
"""


@pytest.mark.parametrize("what", ["first start", "folder to make", "existing", "existing and closed to all"])
def test_a_folder_without_the_right_to_write(what: str) -> None:
    """As a user without privileges, which a test run by root has to become first."""
    with tempfile.TemporaryDirectory() as folder:
        inner = Path(folder) / "data"
        inner.mkdir()
        path = inner / "deeper" / "rowwater.db" if what == "folder to make" else inner / "rowwater.db"
        if "existing" in what:
            Store.open(path, now=NOW).close()
            path.chmod(0o444)
        before = path.read_bytes() if path.exists() else None
        Path(folder).chmod(0o755)
        inner.chmod(0o000 if "closed" in what else 0o555)
        try:
            text, _, hint = answer(UNPRIVILEGED, path).partition(" | ")
        finally:
            inner.chmod(0o755)
        assert "cannot be opened for writing" in text
        assert "let this user write in" in hint
        assert (path.read_bytes() if path.exists() else None) == before
        assert len(list(inner.iterdir())) == (0 if before is None else 1)
