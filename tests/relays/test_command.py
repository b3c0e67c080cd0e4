"""Programs that hang, are missing, fail, print too much, leave children."""

from __future__ import annotations

import errno
import logging
import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from relays.tools import Recorder, until

from scheduler.relays import command
from scheduler.relays.base import ValveFailed
from scheduler.relays.command import CommandValve

Record = Callable[..., Recorder]


def valve(recorder: Recorder, **more: object) -> CommandValve:
    return CommandValve("command:relay", recorder.settings(**more), ["tomatoes", "beans"], dict(os.environ))


def test_open_and_close_are_appended(record: Record) -> None:
    recorder = record()
    relay = valve(recorder)
    relay.open(599.2)
    relay.close()
    relay.release()
    assert recorder.told == ["tomatoes,beans open 600", "tomatoes,beans close", "tomatoes,beans close"]


def test_no_shell_sees_the_words(record: Record) -> None:
    recorder = record()
    relay = CommandValve(
        "c",
        {"command": [str(recorder.program), "$HOME; echo `id`", "*"]},
        ["a"],
        {"PATH": os.environ["PATH"]},
    )
    relay.close()
    assert recorder.told == ["a $HOME; echo `id` * close"]


def test_a_missing_program(tmp_path: object) -> None:
    relay = CommandValve("c", {"command": [f"{tmp_path}/none"]}, ["a"], {})
    with pytest.raises(ValveFailed, match="none cannot be started"):
        relay.close()


def test_a_failing_program_is_quoted(record: Record) -> None:
    with pytest.raises(ValveFailed, match="close: failed with status 3") as failed:
        valve(record("print('no such relay'); sys.exit(3)")).close()
    assert failed.value.hint == "no such relay"


def test_a_program_that_is_killed(record: Record) -> None:
    with pytest.raises(ValveFailed, match="failed with signal 9"):
        valve(record("os.kill(os.getpid(), 9)")).close()


def test_what_it_prints_is_logged_and_bounded(record: Record, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    relay = valve(record("print('x' * 3_000_000, flush=True); print('y', file=sys.stderr)"))
    relay.close()
    (line,) = caplog.messages
    assert line.endswith("x" * command.KEPT_BYTES)
    assert "x" * (command.KEPT_BYTES + 1) not in line


def test_it_gets_no_input(record: Record) -> None:
    valve(record("sys.exit(len(sys.stdin.read()))"), limit_s=5).close()


@pytest.mark.parametrize("output", ["", "os.close(1); os.close(2); "])
def test_a_program_that_hangs_is_killed_with_its_children(record: Record, output: str) -> None:
    recorder = record(
        "import pathlib\n"
        "child = subprocess.Popen(['sleep', '60'])\n"
        "pathlib.Path(sys.argv[0] + '.pids').write_text(f'{os.getpid()} {child.pid}')\n"
        f"{output}time.sleep(60)"
    )
    start = time.monotonic()
    with pytest.raises(ValveFailed, match="open 60: not done after 0.5 s, killed"):
        valve(recorder, limit_s=0.5).open(60)
    assert time.monotonic() - start < 2
    pids = recorder.program.with_name("relay.py.pids").read_text().split()
    assert until(lambda: not any(map(runs, pids)))


def test_a_program_deaf_to_the_polite_signal(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "GRACE_S", 0.2)
    recorder = record(
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\nprint('deaf', flush=True)\ntime.sleep(60)"
    )
    with pytest.raises(ValveFailed, match="killed") as failed:
        valve(recorder, limit_s=0.5).close()
    assert failed.value.hint == "deaf"


def test_children_left_behind_are_killed(record: Record) -> None:
    """The program itself is done, and said so; what it left in its group does not live on."""
    recorder = record(
        "import pathlib\n"
        "child = subprocess.Popen(['sleep', '60'])\n"
        "pathlib.Path(sys.argv[0] + '.pids').write_text(str(child.pid))\n"
    )
    start = time.monotonic()
    valve(recorder).open(60)
    assert time.monotonic() - start < 2  # nobody waited for the child's end of the pipe
    pid = recorder.program.with_name("relay.py.pids").read_text()
    assert until(lambda: not runs(pid))


def test_a_child_that_left_the_session_does_not_hold_us_up(record: Record) -> None:
    recorder = record(
        "import pathlib\n"
        "child = subprocess.Popen(['sleep', '60'], start_new_session=True)\n"
        "pathlib.Path(sys.argv[0] + '.pids').write_text(str(child.pid))\n"
    )
    start = time.monotonic()
    valve(recorder).close()
    assert time.monotonic() - start < 2
    os.kill(int(recorder.program.with_name("relay.py.pids").read_text()), 9)


def test_an_interrupt_kills_the_program(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[subprocess.Popen[bytes]] = []

    def interrupted(program: subprocess.Popen[bytes], *_: object) -> bool:
        started.append(program)
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "_watch", interrupted)
    with pytest.raises(KeyboardInterrupt):
        valve(record("time.sleep(60)")).open(60)
    assert started[0].returncode is not None


def test_a_program_stuck_in_the_kernel_is_left_behind(
    record: Record, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A process that waits for a dying card cannot be killed: played here by not killing it."""
    monkeypatch.setattr(command, "GRACE_S", 0.05)
    monkeypatch.setattr(command, "_signal_group", lambda *_: None)
    real = subprocess.Popen
    left: list[subprocess.Popen[bytes]] = []

    def popen(*args: object, **kwargs: object) -> subprocess.Popen[bytes]:
        left.append(real(*args, **kwargs))  # type: ignore[call-overload]
        return left[-1]

    monkeypatch.setattr(command.subprocess, "Popen", popen)
    with pytest.raises(ValveFailed, match="killed"):
        valve(record("time.sleep(60)"), limit_s=0.2).close()
    assert "cannot be killed" in caplog.text
    left[0].kill()
    left[0].wait()


@pytest.mark.parametrize("seconds", [0, float("nan")])
def test_what_is_no_time_starts_nothing(record: Record, seconds: float) -> None:
    recorder = record()
    with pytest.raises(ValveFailed):
        valve(recorder).open(seconds)
    assert recorder.told == []


def runs(pid: str) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_what_a_close_needs_is_there_before_the_valve_opens(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From then on no process and no descriptor can be had: the close goes out all the same."""
    recorder = record()
    driver = valve(recorder)
    driver.open(60)

    def none_left(*_: object, **__: object) -> None:
        raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr(subprocess, "Popen", none_left)
    for name in ("pipe", "pidfd_open", "dup", "open"):
        monkeypatch.setattr(os, name, none_left)
    driver.close()
    monkeypatch.undo()
    assert recorder.told == ["tomatoes,beans open 60", "tomatoes,beans close"]


def test_nothing_opens_that_could_not_be_closed(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    recorder = record()

    def none_left(argv: list[str], **_: object) -> None:
        raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    with monkeypatch.context() as short:
        short.setattr(subprocess, "Popen", none_left)
        with pytest.raises(ValveFailed, match="the program that closes it cannot be started"):
            valve(recorder).open(60)
    assert recorder.told == []


def test_a_spare_process_that_was_killed_is_done_without(record: Record) -> None:
    recorder = record()
    driver = valve(recorder)
    driver.open(60)
    assert driver._spare is not None
    os.killpg(driver._spare.program.pid, signal.SIGKILL)
    assert until(lambda: driver._spare is not None and not driver._spare.waits)
    driver.close()
    assert recorder.told == ["tomatoes,beans open 60", "tomatoes,beans close"]


def test_a_forgotten_valve_leaves_no_process(record: Record) -> None:
    driver = valve(record())
    driver.open(60)
    assert driver._spare is not None
    pid = str(driver._spare.program.pid)
    assert runs(pid)
    del driver
    assert until(lambda: not runs(pid))


def test_a_program_of_its_own_says_whether_it_is_open(record: Record, tmp_path: Path) -> None:
    said = tmp_path / "said"
    settings = record("").settings(state=["cat", str(said)])
    relay = CommandValve("command:relay", settings, ["bed"], os.environ)
    assert relay.reads_state
    for text, state in (("open\n", True), ("0", False), ("perhaps", None)):
        said.write_text(text)
        assert relay.state(2.0) is state
    said.unlink()
    with pytest.raises(ValveFailed, match="failed with status 1"):
        relay.state(2.0)
    relay.release()
