"""A program of the grower's that turns the valve: a list of words, never a shell."""

from __future__ import annotations

import contextlib
import logging
import os
import select
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from scheduler.relays.base import LIMIT_S, Site, ValveFailed, whole_seconds
from scheduler.relays.reported import read_state
from scheduler.relays.spare import SpareProgram

log = logging.getLogger(__name__)

KEPT_BYTES = 4096  # of what the program prints
GRACE_S = 1.0  # between the polite and the hard signal
_READ_BYTES = 65_536


def driver(key: str, settings: Mapping[str, Any], site: Site) -> CommandValve:
    return CommandValve(key, settings, site.zones, site.environ)


class CommandValve:
    """settings: {"command": ["prog", "arg"], "state": ["prog", "arg"], "limit_s": 10}.

    `open SECONDS` or `close` is appended, ROWWATER_ZONE set. The program runs in a session of its own and has
    `limit_s`; whatever of it is left afterwards is killed, children too (those that left the session escape).
    The process that will close is started before the valve opens, and only waits for the word. Whatever a
    program ends with but success, what it began may go on elsewhere: it may still act. `state` is run as it
    stands, and prints whether the valve is open (`reported`).
    """

    simulated = False
    _spare: SpareProgram | None = None

    def __init__(
        self, key: str, settings: Mapping[str, Any], zones: Sequence[str], environ: Mapping[str, str]
    ) -> None:
        self.key = key
        self.limit_s = float(settings.get("limit_s", LIMIT_S))
        self._argv = [str(word) for word in settings["command"]]
        self._state_argv = [str(word) for word in settings.get("state", ())]
        self.reads_state = bool(self._state_argv)
        self._environ = {**environ, "ROWWATER_ZONE": ",".join(zones)}

    def open(self, seconds: float) -> None:
        argv = [*self._argv, "open", str(whole_seconds(self.key, seconds))]
        if self._spare is None or not self._spare.waits:
            self._drop_spare()
            with self._as_valve_failed("the program that closes it"):
                self._spare = SpareProgram([*self._argv, "close"], self._environ)
        self._start(argv)

    def close(self) -> None:
        argv = [*self._argv, "close"]
        if self._spare is not None and self._spare.waits:
            spare, self._spare = self._spare, None
            try:
                spare.go()
                self._finish(argv, spare.program, spare.ended_fd)
            finally:
                os.close(spare.ended_fd)
        else:
            self._drop_spare()
            self._start(argv)

    def state(self, limit_s: float) -> bool | None:
        said = self._start(self._state_argv, min(limit_s, self.limit_s), logging.DEBUG)
        return read_state(said.encode())

    def release(self) -> None:
        self.close()

    def __del__(self) -> None:
        """Forgotten by its owner, it leaves no process behind."""
        self._drop_spare()

    def _drop_spare(self) -> None:
        spare, self._spare = self._spare, None
        if spare is not None:
            spare.give_up()

    def _start(self, argv: list[str], limit_s: float | None = None, level: int = logging.INFO) -> str:
        with self._as_valve_failed(argv[0]):
            program = subprocess.Popen(
                argv,
                env=self._environ,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        try:
            ended_fd = os.pidfd_open(program.pid)
        except OSError as problem:
            _end(program, _Said())
            raise ValveFailed(f"{argv[0]} cannot be watched: {problem}") from problem
        try:
            return self._finish(argv, program, ended_fd, limit_s, level)
        finally:
            os.close(ended_fd)

    @contextlib.contextmanager
    def _as_valve_failed(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as problem:
            raise ValveFailed(f"{what} cannot be started: {problem}", may_act=False) from problem

    def _finish(
        self,
        argv: list[str],
        program: subprocess.Popen[bytes],
        ended_fd: int,
        limit_s: float | None = None,
        level: int = logging.INFO,
    ) -> str:
        """What it printed. Raises ValveFailed."""
        limit_s = self.limit_s if limit_s is None else limit_s
        said = _Said()
        try:
            in_time = _watch(program, ended_fd, said, time.monotonic() + limit_s)
        finally:
            _end(program, said)
        if text := said.text():
            log.log(level, "%s: %s", " ".join(argv), text)
        if not in_time:
            raise ValveFailed(f"{' '.join(argv)}: not done after {limit_s:g} s, killed", hint=text or None)
        if program.returncode:
            raise ValveFailed(f"{' '.join(argv)}: failed with {_how(program.returncode)}", hint=text or None)
        return text


class _Said:
    """The first bytes of what the program prints; the rest is read and dropped, so that it never waits."""

    def __init__(self) -> None:
        self._kept = bytearray()
        self.ended = False

    def read(self, fd: int) -> None:
        try:
            data = os.read(fd, _READ_BYTES)
        except BlockingIOError:
            return
        self.ended = not data
        self._kept += data[: KEPT_BYTES - len(self._kept)]

    def text(self) -> str:
        return self._kept.decode("utf-8", errors="replace").strip()


def _watch(program: subprocess.Popen[bytes], ended: int, said: _Said, deadline: float) -> bool:
    """Read until the program itself ends (True) or the time is up (False). It is not reaped yet: until then
    its number cannot go to another process, so killing its group hits nobody else.
    """
    assert program.stdout is not None
    out = program.stdout.fileno()
    os.set_blocking(out, False)
    news = select.poll()
    news.register(ended, select.POLLIN)
    news.register(out, select.POLLIN)
    while (left := deadline - time.monotonic()) > 0:
        ready = [fd for fd, _ in news.poll(left * 1000)]
        if out in ready:
            said.read(out)
            if said.ended:
                news.unregister(out)
        if ended in ready:
            return True
    return False


def _end(program: subprocess.Popen[bytes], said: _Said) -> None:
    """Nothing of the program lives on."""
    assert program.stdout is not None
    if not _has_ended(program):
        _signal_group(program.pid, signal.SIGTERM)
        give_up = time.monotonic() + GRACE_S
        while not _has_ended(program) and time.monotonic() < give_up:
            time.sleep(0.02)
    _signal_group(program.pid, signal.SIGKILL)
    try:
        program.wait(GRACE_S)
    except subprocess.TimeoutExpired:  # stuck inside the kernel: it dies when that lets go
        log.error("process %d cannot be killed", program.pid)
    said.read(program.stdout.fileno())
    program.stdout.close()


def _has_ended(program: subprocess.Popen[bytes]) -> bool:
    return os.waitid(os.P_PID, program.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def _signal_group(leader: int, number: signal.Signals) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(leader, number)


def _how(status: int) -> str:
    return f"status {status}" if status > 0 else f"signal {-status}"
