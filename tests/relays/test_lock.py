"""Who drives the valves: really one process, whatever it left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from scheduler.relays.lock import FILE, PLACES, Held, hold_valves

HOLD = """\
import os, pathlib, sys, threading, time
from scheduler.relays.lock import hold_valves
with hold_valves(pathlib.Path(sys.argv[1]), "a script"):
    exec(sys.argv[2])
    print(os.getpid(), flush=True)
    time.sleep(60)
"""
FORKS = "if not os.fork(): os.setsid()"
DIES_IN_PART = """
print(os.getpid(), flush=True)
threading.Thread(target=time.sleep, args=(60,)).start()
import ctypes; ctypes.CDLL(None).pthread_exit(0)
"""
"""As a killed process looks one of whose threads hangs in the kernel: it has its locks still."""

Holding = Callable[[str], tuple[subprocess.Popen[str], int]]


@pytest.fixture
def holding(tmp_path: Path) -> Iterator[Holding]:
    """Starts a process that holds the valves; returns it, and the id that it printed first."""
    started: list[subprocess.Popen[str]] = []

    def start(then: str = "") -> tuple[subprocess.Popen[str], int]:
        words = [sys.executable, "-c", HOLD, str(tmp_path), then]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, start_new_session=True)
        started.append(process)
        assert process.stdout is not None
        return process, int(process.stdout.readline())

    yield start
    for process in started:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def refused(folder: Path) -> Held:
    with pytest.raises(Held) as found, hold_valves(folder, "me"):
        pass
    return found.value


def test_a_child_that_outlives_its_parent_holds_nothing(holding: Holding, tmp_path: Path) -> None:
    process, first = holding(FORKS)
    assert process.stdout is not None
    pids = {first, int(process.stdout.readline())}
    assert f"a script, process {process.pid}" in refused(tmp_path).text
    (child,) = pids - {process.pid}
    process.kill()
    process.wait()
    try:
        os.kill(child, 0)  # it lives
        with hold_valves(tmp_path, "me"):
            assert refused(tmp_path).driven
    finally:
        os.kill(child, signal.SIGKILL)


def test_who_holds_them_is_known_by_the_lock_and_not_by_old_words(holding: Holding, tmp_path: Path) -> None:
    process, _ = holding("")
    (tmp_path / FILE).write_text("rowwater serve, process 1\n")
    found = refused(tmp_path)
    assert found.driven
    assert f"process {process.pid} ({sys.executable}" in found.text
    assert "process 1\n" not in found.text


def test_a_holder_that_is_stopped_closes_nothing(holding: Holding, tmp_path: Path) -> None:
    process, pid = holding("")
    process.send_signal(signal.SIGSTOP)
    os.waitpid(pid, os.WUNTRACED)
    found = refused(tmp_path)
    assert not found.driven
    assert f"a script, process {pid}, which is stopped" in found.text


def test_the_dead_hold_nothing_and_never_do_two_drive(holding: Holding, tmp_path: Path) -> None:
    dead, _ = holding(DIES_IN_PART)
    while Path(f"/proc/{dead.pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z":
        pass
    with hold_valves(tmp_path, "me"):
        assert subprocess.run([sys.executable, "-c", HOLD, str(tmp_path), ""], check=False).returncode
    living, _ = holding("")  # has the second place
    assert str(living.pid) in refused(tmp_path).text
    dead.kill()
    dead.wait()
    assert str(living.pid) in refused(tmp_path).text, "though the first place is free again"


def test_so_many_dead_are_a_disk_that_hangs(
    holding: Holding, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.relays.lock.PLACES", 1)
    dead, _ = holding(DIES_IN_PART)
    while Path(f"/proc/{dead.pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z":
        pass
    assert PLACES > 1
    assert "the disk hangs" in refused(tmp_path).text


def test_a_foreign_program_is_named(tmp_path: Path) -> None:
    script = (
        "import fcntl, sys, time; f = open(sys.argv[1], 'w'); fcntl.lockf(f, fcntl.LOCK_EX)\n"
        "print(flush=True); time.sleep(60)"
    )
    folder = tmp_path / "rowwater"
    folder.mkdir()
    words = [sys.executable, "-c", script, str(folder / FILE)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        found = refused(folder)
        process.kill()
    assert not found.driven
    assert f"process {process.pid}" in found.text
    assert "none of rowwater's" in found.text


def test_a_file_that_cannot_be_locked(tmp_path: Path) -> None:
    for spoil in (Path.mkdir, lambda path: path.symlink_to(tmp_path / "elsewhere")):
        spoil(tmp_path / FILE)
        found = refused(tmp_path)
        assert not found.driven
        assert "cannot be locked" in found.text
        assert not (tmp_path / "elsewhere").exists()
        (tmp_path / FILE).rmdir() if (tmp_path / FILE).is_dir() else (tmp_path / FILE).unlink()


def test_the_group_may_lock_it_whoever_made_it(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        with hold_valves(tmp_path, "me"):
            pass
    finally:
        os.umask(before)
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o664
