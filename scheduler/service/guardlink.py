"""The parent's side of the guard process: start it, beat, say what is open."""

from __future__ import annotations

import contextlib
import math
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import scheduler
from scheduler.errors import CouldNot
from scheduler.relays.specs import Spec
from scheduler.service.earlier_guards import GUARD_MODULE, argument
from scheduler.service.guard import IN_FLIGHT_S, MARGIN_S, SILENCE_S, TRY_FOR_S, Order, closed_key, plain

ANSWER_S = 3.0  # a heartbeat that is not answered for longer: the guard is frozen, or worse
LOOKS = 5  # so often it is looked for the answer: a machine that stood still is no frozen guard
READY_S = 30.0
BYE_S = 5.0
_START = f"""import sys
sys.path.insert(0, {str(Path(scheduler.__file__).parents[1])!r})
import os
from scheduler.service.guard import main
sys.exit(main(sys.argv[2:], os.environ))"""
"""Without site, and without what `-m` loads: half a megabyte each, for a season."""


class GuardGone(CouldNot):
    """The guard process does not run: open nothing, close what is open, start it again."""


class GuardLink:
    """One guard process. May be used from several threads.

    Order of calls: start(specs); then beat() at least every second, whatever happens, from a thread that
    waits for no disk and no valve; opened(key, seconds) before an open command is sent; answered(key,
    seconds) after it, with how long it may still take effect where it was not confirmed; closed(key) once a
    close is confirmed; bye() when all is closed. Without bye the guard closes every valve when the pipe ends,
    and ends this process if it is still there and a valve does not close.
    """

    def __init__(
        self,
        environ: Mapping[str, str],
        *,
        data: Path | None = None,
        silence_s: float = SILENCE_S,
        margin_s: float = MARGIN_S,
        in_flight_s: float = IN_FLIGHT_S,
        try_for_s: float = TRY_FOR_S,
    ) -> None:
        """data: the folder whose valves they are. silence_s: without a heartbeat for so long this process is
        ended, and every valve closed; likewise margin_s after a valve should have been closed. in_flight_s:
        how long an open command may last that was begun; its valve is closed again and again for so long,
        and for as long as it acts late.
        try_for_s: when closing is given up.
        """
        self._environ = dict(environ)
        self._argument = [] if data is None else argument(data)
        self._limits = {
            "silence_s": silence_s,
            "margin_s": margin_s,
            "in_flight_s": in_flight_s,
            "try_for_s": try_for_s,
        }
        self._process: subprocess.Popen[bytes] | None = None
        self._keys: frozenset[str] = frozenset()
        self._asked: float | None = None  # when the first heartbeat was sent that is not answered yet
        self._looks = 0  # since then
        self._broken = False
        self._heard = b""
        self._closed_there: list[str] = []
        self._lifeline: int | None = None
        self._lock = threading.Lock()

    def start(self, specs: Sequence[Spec]) -> None:
        """Returns when the guard stands ready for these valves. Raises GuardGone.

        May be called again after the guard was lost, or after bye(); then tell it again what is open.
        """
        self._forget(kill=True)
        lifeline, self._lifeline = os.pipe()
        try:
            process = subprocess.Popen(
                [sys.executable, "-I", "-S", "-c", _START, GUARD_MODULE.decode(), *self._argument],
                env=self._environ,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                start_new_session=True,  # Ctrl-C at the terminal is for this process, not for the guard
                bufsize=0,
                pass_fds=(lifeline,),
            )
        finally:
            os.close(lifeline)
        order = Order(os.getpid(), list(specs), lifeline=lifeline, **self._limits)
        try:
            ready = _ordered(process, order.line() + b"\n")
        except BaseException:
            _end(process, kill=True)
            raise
        if not ready:
            _end(process, kill=True)
            raise GuardGone("the guard process did not start")
        with self._lock:
            self._keys = frozenset(str(spec["key"]) for spec in specs)
            self._asked, self._broken = None, False
            self._process = process

    @property
    def alive(self) -> bool:
        """The guard runs and answers; False after bye()."""
        with self._lock:
            if self._process is None or self._broken or self._process.poll() is not None:
                return False
            self._hear()
            self._looks += 1
            return self._asked is None or self._looks < LOOKS or time.monotonic() < self._asked + ANSWER_S

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def beat(self) -> None:
        """Never waits, never raises: look at `alive`."""
        with self._lock:
            if self._process is None:
                return
            self._hear()
            if self._asked is None:
                self._asked, self._looks = time.monotonic(), 0
            self._write(b"\n")

    def _hear(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        if said := self._process.stdout.read(4096):
            self._asked, self._looks = None, 0
            *lines, self._heard = (self._heard + said).split(b"\n")
            self._heard = self._heard.lstrip(b".")
            self._closed_there += [key for line in lines if (key := closed_key(line)) is not None]

    def closed_there(self) -> list[str]:
        """Valves that the guard closed since this was asked last, where this process could not."""
        with self._lock:
            found, self._closed_there = self._closed_there, []
        return found

    def opened(self, key: str, seconds: float) -> None:
        """Say it before the open command is sent. Raises GuardGone: then do not open."""
        if key not in self._keys:
            raise ValueError(f"the guard was not told of {key}")
        if not (math.isfinite(seconds) and seconds > 0):
            raise ValueError(f"{seconds} is not a time to be open for")
        self._tell(f"opened {float(seconds)} ", key)
        if not self.alive:
            raise GuardGone("the guard process is gone")

    def answered(self, key: str, acts_within_s: float) -> None:
        """The open command is over. acts_within_s: for how long it may still take effect; 0: confirmed."""
        self._tell(f"answered {float(acts_within_s)} ", key)

    def closed(self, key: str) -> None:
        """Say it when the close is confirmed; until then the valve counts as open."""
        self._tell("closed ", key)

    def close(self, key: str) -> None:
        """This process could not: it is to be tried there too."""
        self._tell("close ", key)

    def bye(self) -> None:
        """All is closed: let the guard go. Harmless when it is gone already."""
        self._tell("bye")
        self._forget(kill=False)

    @contextlib.contextmanager
    def beating(self, every_s: float = 0.5) -> Iterator[None]:
        """Beats from a thread of its own, for a caller without a loop that must prove its life."""
        stop = threading.Event()

        def beat() -> None:
            while not stop.wait(every_s):
                self.beat()

        thread = threading.Thread(target=beat, name="heartbeat", daemon=True)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()

    def _tell(self, words: str, key: str = "") -> None:
        with self._lock:
            self._write(words.encode() + plain(key) + b"\n")

    def _write(self, line: bytes) -> None:
        if self._process is None:
            return
        assert self._process.stdin is not None
        try:
            whole = self._process.stdin.write(line) == len(line)  # None where the pipe is full
        except (OSError, ValueError):
            whole = False
        self._broken = self._broken or not whole

    def _forget(self, *, kill: bool) -> None:
        with self._lock:
            process, self._process = self._process, None
            lifeline, self._lifeline = self._lifeline, None
        if lifeline is not None:
            os.close(lifeline)
        if process is not None:
            _end(process, kill=kill)


def _ordered(process: subprocess.Popen[bytes], order: bytes) -> bool:
    """ValveThread over the order; True when the guard says that it stands ready."""
    assert process.stdin is not None
    assert process.stdout is not None
    with contextlib.suppress(BrokenPipeError):
        process.stdin.write(order)
    for end in (process.stdin, process.stdout):
        os.set_blocking(end.fileno(), False)
    news = select.poll()
    news.register(process.stdout, select.POLLIN)
    news.poll(READY_S * 1000)
    return bool(process.stdout.read(1))


def _end(process: subprocess.Popen[bytes], *, kill: bool) -> None:
    """Reap a guard: one that was told to go, or one that is of no use any more."""
    assert process.stdin is not None
    assert process.stdout is not None
    if kill:
        process.kill()
    try:
        process.wait(BYE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    process.stdin.close()
    process.stdout.close()
