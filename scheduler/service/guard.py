"""A small second process that closes every valve when its parent dies, freezes or keeps one open too long.

    python -m scheduler.service.guard --data FOLDER            started by `guardlink.GuardLink`, fed by a pipe
    python -m scheduler.service.guard --close-all valves.json  closes the valves of a saved list, and ends

It stays for a season beside the service, so it loads next to nothing: no json, enum, contextlib or site, and
what closes valves only when there is something to close. The pipe carries lines: an empty one is a heartbeat,
others are words: "opened SECONDS KEY"; "answered SECONDS KEY", for which that open may still take effect;
"closed KEY"; "close KEY", the parent's own close failed, so it is tried here too; "bye". The first of all is
the order (`Order`). What comes is answered by a byte on stdout, the order too once the watch stands; a close
that worked here is told there too (`closed_line`).
"""

from __future__ import annotations

import os
import select
import sys
import time

TYPE_CHECKING = False  # as in typing, without loading it
if TYPE_CHECKING:
    import signal
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from typing import Literal

    from scheduler.relays.closing import Closing
    from scheduler.relays.specs import Spec

    Why = Literal["bye", "end of file", "silence", "overdue", "asked to stop"]

else:
    import _signal as signal  # without the names as an enum, which weighs more than all of this

ORDER_S = 60.0
SILENCE_S = 2.0
IDLE_SILENCE_S = 60.0
MARGIN_S = 30.0
PARENT_GONE_S = 1.0  # how long a dead pipe may come from a living parent
LATE_S = 0.5  # a guard that wakes so much later than it wanted was itself held up
IN_FLIGHT_S = 12.0  # how long an open that the parent had begun may still be on its way to the valve
TRY_FOR_S = 24 * 3600.0
STOP_FOR_S = 60.0
CLOSE_ALL_FOR_S = 30.0
LOAD_AGAIN_S = 0.25
F_SETSIG = 10  # of Linux; the library names it from Python 3.13 on


def now_s() -> float:
    """A clock that no one sets, and that goes on while the machine sleeps."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class suppress:  # noqa: N801 - as in contextlib, without what that loads
    def __init__(self, *kinds: type[BaseException]) -> None:
        self._kinds = kinds

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> bool:
        return kind is not None and issubclass(kind, self._kinds)


def tell(text: str) -> None:
    """To stderr, where anybody still reads it."""
    with suppress(OSError, ValueError):
        print(f"rowwater guard: {text}", file=sys.stderr, flush=True)  # noqa: T201 - the guard's only voice


class Order:
    """The first line: whom to watch (process id), and what to close.

    A valve stays text until it is to be closed, but for its cap and for how long its open may act.
    """

    def __init__(
        self,
        parent: int,
        valves: Sequence[Spec],
        silence_s: float = SILENCE_S,
        margin_s: float = MARGIN_S,
        in_flight_s: float = IN_FLIGHT_S,
        try_for_s: float = TRY_FOR_S,
        lifeline: int | None = None,
    ) -> None:
        """lifeline: a pipe of which only the parent holds the other end; see `stirs`."""
        self.parent = parent
        self.silence_s = silence_s
        self.margin_s = margin_s
        self.in_flight_s = in_flight_s
        self.try_for_s = try_for_s
        self.lifeline = lifeline
        self._rows = [_row(spec) for spec in valves]

    @classmethod
    def read(cls, line: bytes) -> Order:
        head, *rows = line.split(_BETWEEN)
        parent, silence_s, margin_s, in_flight_s, try_for_s, lifeline = head.split()
        order = cls(int(parent), (), float(silence_s), float(margin_s), float(in_flight_s), float(try_for_s))
        order.lifeline = int(lifeline) if int(lifeline) >= 0 else None
        order._rows = rows
        return order

    def line(self) -> bytes:
        lifeline = -1 if self.lifeline is None else self.lifeline
        head = (
            f"{self.parent} {self.silence_s} {self.margin_s} {self.in_flight_s} {self.try_for_s} {lifeline}"
        )
        return _BETWEEN.join([head.encode(), *self._rows])

    @property
    def valves(self) -> list[Spec]:
        import json

        return [json.loads(row.split(_WITHIN, 1)[1]) for row in self._rows]

    def limits_s(self, key: str) -> tuple[float, float]:
        """The least cap of a valve, and the longest that its open may act; zeros for an unknown one."""
        rows = [row.split(_WITHIN, 1)[0].split(b" ", 2) for row in self._rows]
        own = [(float(cap), float(acts)) for cap, acts, name in rows if name == plain(key)]
        return min((cap for cap, _ in own), default=0.0), max((acts for _, acts in own), default=0.0)


_BETWEEN, _WITHIN = b"\x1e", b"\x1f"  # valves of an order, and the parts of one


def _row(spec: Spec) -> bytes:
    import json

    known = f"{float(spec['cap_s'])} {float(spec.get('acts_within_s', 0.0))} ".encode()
    return known + plain(spec["key"]) + _WITHIN + json.dumps(spec).encode()


def plain(key: str) -> bytes:
    """A key as it stands in a line: no line end, nothing that parts a line."""
    return key.encode("unicode_escape")


def closed_line(key: str) -> bytes:
    """What tells the parent that a close worked here."""
    return b"\nclosed " + plain(key) + b"\n"


def closed_key(line: bytes) -> str | None:
    word, _, rest = line.partition(b" ")
    return rest.decode("unicode_escape") if word == b"closed" else None


class Watch:
    """What the guard knows of its parent; `now` always from the caller's one clock."""

    def __init__(self, order: Order, heard_at: float) -> None:
        self.order = order
        self.heard_at = heard_at
        self.due: dict[str, float] = {}  # by key: when an open valve must have been closed
        self.late_until: dict[str, float] = {}  # an open that was begun, or not confirmed, may act until then
        self.to_close: list[str] = []  # by the guard too, since the parent could not
        self.closed: list[str] = []  # by the parent meanwhile
        self.bye = False

    def hear(self, line: bytes, now: float) -> None:
        """Every line is a sign of life."""
        self.heard_at = now
        if not line:  # a heartbeat
            return
        word, _, rest = line.partition(b" ")
        try:
            self._hear(word, rest, now)
        except ValueError:
            tell(f"a line that means nothing: {line[:200]!r}")

    def _hear(self, word: bytes, rest: bytes, now: float) -> None:
        """Raises ValueError."""
        if word == b"bye" and not rest:
            self.bye = True
        elif word in (b"closed", b"close"):
            key = rest.decode("unicode_escape")
            if word == b"close":
                self.to_close.append(key)
                return
            self.due.pop(key, None)
            self.late_until.pop(key, None)
            self.closed.append(key)
        elif word in (b"opened", b"answered"):
            text, _, name = rest.partition(b" ")
            key, seconds = name.decode("unicode_escape"), float(text)
            if not key:
                raise ValueError(rest)
            if word == b"opened":
                self._opened(key, seconds, now)
            else:
                self._answered(key, seconds, now)
        else:
            raise ValueError(word)

    def _opened(self, key: str, seconds: float, now: float) -> None:
        cap_s, acts_within_s = self.order.limits_s(key)
        lasts_s = min(seconds, cap_s) if seconds > 0 else 0.0  # nan is not above 0
        self.due[key] = now + lasts_s + self.order.margin_s
        self.late_until[key] = now + self.order.in_flight_s + acts_within_s
        self.closed.append(key)  # what was to be closed before is over

    def _answered(self, key: str, late_s: float, now: float) -> None:
        self.late_until[key] = now + max(late_s, 0.0)
        if late_s > 0 and key in self.due:  # until then it cannot be known to be closed
            self.due[key] = max(self.due[key], now + late_s + self.order.margin_s)

    def held_up(self, now: float) -> None:
        """The guard itself, or the whole machine, did not run: the parent gets a little time to catch up."""
        self.heard_at = now
        self.due = {key: max(due, now + self.order.silence_s) for key, due in self.due.items()}

    def _silence_s(self) -> float:
        """With nothing open the parent beats seldom, and a frozen one does no harm."""
        return self.order.silence_s if self.due else max(self.order.silence_s, IDLE_SILENCE_S)

    def next_look(self) -> float:
        return min([self.heard_at + self._silence_s(), *self.due.values()])

    def alarm(self, now: float) -> Why | None:
        if self.bye:
            return "bye"
        if any(now >= due for due in self.due.values()):
            return "overdue"
        if now >= self.heard_at + self._silence_s():
            return "silence"
        return None

    def late_s(self, now: float) -> dict[str, float]:
        """For how long the open of a valve may still take effect: begun shortly before the parent was lost,
        or sent and never confirmed.
        """
        return {key: until - now for key, until in self.late_until.items() if until > now}


class Pipe:
    """Lines from the parent."""

    def __init__(self, fd: int, wake_fd: int) -> None:
        """wake_fd: readable when a signal has come."""
        os.set_blocking(fd, False)
        os.set_blocking(wake_fd, False)
        self._fd = fd
        self._wake_fd = wake_fd
        self._news = select.poll()
        self._news.register(fd, select.POLLIN)
        self._news.register(wake_fd, select.POLLIN)
        self._rest = b""
        self.ended = False

    def sleep(self, seconds: float) -> None:
        """Until there is something to read, a signal, or the time is up."""
        self._news.poll(max(seconds, 0) * 1000)
        with suppress(BlockingIOError):
            os.read(self._wake_fd, 4096)

    def read(self) -> list[bytes]:
        """All whole lines that are there; sets `ended` at the end of file."""
        with suppress(BlockingIOError):
            while not self.ended:
                data = os.read(self._fd, 65_536)
                self._rest += data
                if not data:
                    self.ended = True
                    self._news.unregister(self._fd)
        *lines, self._rest = self._rest.split(b"\n")
        return lines


class Help:
    """Closes for a parent that lives. In a thread from the start: loading takes a while, and beats go on."""

    def __init__(self, valves: Sequence[Spec], environ: Mapping[str, str], limit_s: float) -> None:
        import _thread

        self._order = valves, environ, limit_s
        self._closing: Closing | None = None
        self._stopped = False
        try:
            _thread.start_new_thread(self._close, ())
        except RuntimeError:  # no thread is left here either
            self._close()

    @property
    def running(self) -> bool:
        return not self._stopped and (self._closing is None or self._closing.running)

    @property
    def closed(self) -> bool:
        """It is over, and every close was confirmed."""
        return self._closing is not None and not self.running and not self._closing.unconfirmed

    def stop(self) -> None:
        """Start no further try."""
        self._stopped = True
        if self._closing is not None:
            self._closing.stop()

    def _close(self) -> None:
        valves, environ, limit_s = self._order
        kind = closer()
        if not self._stopped:
            self._closing = kind(valves, environ, limit_s=limit_s)
        if self._stopped:
            self.stop()


class Guard:
    """Watches one parent, through to the end."""

    def __init__(
        self,
        pipe: Pipe,
        echo: Callable[[bytes], object],
        environ: Mapping[str, str],
        *,
        clock: Callable[[], float] = now_s,
        kill: Callable[[int], None] = lambda pid: os.kill(pid, signal.SIGKILL),
    ) -> None:
        self._pipe = pipe
        self._echo = echo
        self._environ = environ
        self._clock = clock
        self._kill = kill
        self._stop_at: float | None = None
        self._helping: dict[str, Help] = {}

    def ask_to_stop(self) -> None:
        """Close all, and end."""
        if self._stop_at is None:
            self._stop_at = self._clock() + STOP_FOR_S

    def run(self) -> int:
        """0: the parent said goodbye, or all was closed; 1: a valve could not be closed."""
        lines: list[bytes] = []
        while not lines:
            self._pipe.sleep(ORDER_S)
            lines = self._pipe.read()
            if not lines and (self._pipe.ended or self._stop_at is not None):
                return 0  # nothing was ordered yet, so nothing opened
        watch = Watch(Order.read(lines.pop(0)), self._clock())
        if watch.order.lifeline is not None:
            stirs(watch.order.lifeline)
        why = self._watch(watch, lines)
        if why == "bye":
            return 0
        tell(f"{why}: closing every valve")
        return self._close(watch, why)

    def _watch(self, watch: Watch, lines: list[bytes]) -> Why:
        now = self._clock()
        self._echo(b".")
        while True:
            for line in lines:
                watch.hear(line, now)
            self._help(watch)
            if self._pipe.ended and not watch.bye:
                return "end of file"
            if self._stop_at is not None:
                return "asked to stop"
            if why := watch.alarm(now):
                return why
            wanted = watch.next_look()
            self._pipe.sleep(wanted - self._clock())
            now = self._clock()  # before reading: silence is never judged by a clock newer than the lines
            lines = self._pipe.read()
            if lines:
                self._echo(b".")
            elif now > wanted + LATE_S:
                watch.held_up(now)

    def _help(self, watch: Watch) -> None:
        """Close what the parent could not: it may lack what this process has. Not a pin, which it holds."""
        for key in watch.closed:
            if key in self._helping:
                self._helping.pop(key).stop()
        for key in watch.to_close:
            valves = [spec for spec in watch.order.valves if spec["key"] == key and spec["driver"] != "gpio"]
            if valves and (key not in self._helping or not self._helping[key].running):
                self._helping[key] = Help(valves, self._environ, watch.order.margin_s)
        watch.closed, watch.to_close = [], []
        for key in [key for key, help_ in self._helping.items() if help_.closed]:
            self._helping.pop(key)
            self._echo(closed_line(key))

    def _close(self, watch: Watch, why: Why) -> int:
        """Close all; a valve whose open may still take effect again and again, until it cannot any more."""
        if why in ("silence", "overdue"):
            self._end_parent(watch.order.parent)
        left = self._until_closed(watch)
        for key, failure in left.items():
            tell(f"{key}: NOT closed: {failure}")
        return 1 if left else 0

    def _until_closed(self, watch: Watch) -> dict[str, str]:
        """What is left unclosed, with the reason."""
        late_s = watch.late_s(self._clock())
        closing = closer()(watch.order.valves, self._environ, limit_s=watch.order.try_for_s, late_s=late_s)
        ended_at: float | None = None
        while closing.running:
            self._pipe.sleep(0.05)
            for line in self._pipe.read():
                watch.hear(line, self._clock())
            now = self._clock()
            if watch.bye:  # the parent closed all by itself, and says so
                closing.stop()
                return {}
            if self._stop_at is not None and now > self._stop_at:
                closing.stop()
                break
            if self._pipe.ended:
                ended_at = ended_at or now
                if now > ended_at + PARENT_GONE_S:
                    self._end_parent(watch.order.parent)
        return closing.unconfirmed

    def _end_parent(self, parent: int) -> None:
        """A frozen process keeps its pins: end it. Only while it is our parent, so never a stranger."""
        if os.getppid() != parent:
            return
        tell(f"ending process {parent}")
        with suppress(ProcessLookupError):
            self._kill(parent)
        give_up = time.monotonic() + PARENT_GONE_S
        while os.getppid() == parent and time.monotonic() < give_up:
            time.sleep(0.01)


def stirs(lifeline: int) -> None:
    """When this pipe ends, the kernel lets a stopped guard go on: both may be struck at once."""
    import fcntl

    fcntl.fcntl(lifeline, F_SETSIG, signal.SIGCONT)
    fcntl.fcntl(lifeline, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(lifeline, fcntl.F_SETFL, fcntl.fcntl(lifeline, fcntl.F_GETFL) | os.O_ASYNC)


def close_all(path: Path, environ: Mapping[str, str], *, limit_s: float = CLOSE_ALL_FOR_S) -> int:
    """0 only when the close of every valve in the list is confirmed."""
    from scheduler.errors import CouldNot
    from scheduler.relays import quiet
    from scheduler.relays.specs import load

    try:
        specs = load(path)
    except CouldNot as problem:
        tell(str(problem))
        return 1
    was_quiet = quiet.begin(path.parent)
    closing = closer()(specs, environ, limit_s=limit_s)
    left = closing.wait()
    if was_quiet and not closing.failed:
        quiet.end(path.parent)
    for key, failure in left.items():
        tell(f"{key}: NOT closed: {failure}")
    return 1 if left else 0


def closer() -> type[Closing]:
    """What closes valves, loaded now. A disk that does not give it is asked again: there is no other way."""
    while True:
        try:
            if sys.flags.no_site:
                import site

                site.main()  # where the libraries are
            import logging

            from scheduler.relays.closing import Closing
        except Exception as problem:
            tell(f"the way to close valves cannot be loaded: {problem}")
            time.sleep(LOAD_AGAIN_S)
        else:
            break
    logging.basicConfig(level=logging.INFO, format="rowwater guard: %(message)s", stream=sys.stderr)
    return Closing


def watch_parent(fd: int, echo_fd: int, environ: Mapping[str, str]) -> int:
    """The guard of this process: signals, pipe and answer joined."""
    wake, waker = os.pipe()
    os.set_blocking(waker, False)
    os.set_blocking(echo_fd, False)

    def echo(data: bytes) -> None:
        with suppress(OSError):  # nobody reads it any more
            os.write(echo_fd, data)

    guard = Guard(Pipe(fd, wake), echo, environ)
    for deaf_to in (signal.SIGINT, signal.SIGHUP):
        signal.signal(deaf_to, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: guard.ask_to_stop())
    signal.set_wakeup_fd(waker, warn_on_full_buffer=False)
    try:
        return guard.run()
    finally:
        signal.set_wakeup_fd(-1)
        os.close(wake)
        os.close(waker)


def main(args: Sequence[str], environ: Mapping[str, str]) -> int:
    match list(args):
        case [] | ["--data", _]:  # whose guard it is: by this the next start finds it (`earlier_guards`)
            return watch_parent(0, 1, environ)
        case ["--close-all", path]:
            from pathlib import Path

            return close_all(Path(path), environ)
    tell("usage: python -m scheduler.service.guard --data FOLDER | --close-all valves.json")
    return 2


if __name__ == "__main__":  # pragma: no cover - a process of its own
    sys.exit(main(sys.argv[1:], os.environ))
