"""Pieces carried by Dask: to processes of this machine, or to the workers of a scheduler that runs elsewhere.

What is lost with a worker Dask gives to another.  The weather goes to each worker once, also to one that
joins late.
"""

from __future__ import annotations

import logging
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from itertools import islice
from typing import Any

from scheduler.errors import BadInput, CouldNot
from scheduler.study.seasons import Outcome, Piece, Record
from scheduler.study.study import Carry
from scheduler.study.version import fingerprint, versions

Tell = Callable[[str], None]
"""Says something to whoever waits."""
EACH = 3
"""Pieces per worker that are under way: one runs, others wait beside it."""
WAIT_S = 30
QUIET_S = 30.0
"""So long nothing comes before it is asked whether a worker is there at all."""
HERE = "the workers of this machine"
DEATHS = 50
"""How many workers may die over one piece before it counts as the cause (Dask: 3)."""


def is_there() -> bool:
    """Whether Dask can be had."""
    try:
        import distributed  # noqa: F401 - only whether it is there
    except ImportError:
        return False
    return True


@contextmanager
def local(workers: int, tell: Tell) -> Iterator[Carry]:
    """So many processes of this machine."""
    import dask
    from distributed import Client, LocalCluster

    quiet = {
        "distributed.scheduler.allowed-failures": DEATHS,
        "distributed.admin.large-graph-warning-threshold": "1 GB",
        # nobody looks at either, and the seasons on each worker pay for it
        "distributed.admin.tick.interval": "1s",
        "distributed.worker.profile.enabled": False,
    }
    with dask.config.set(quiet):
        with _deaf_to_ctrl_c():
            cluster = LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address="127.0.0.1:0", memory_limit=0,
                silence_logs=logging.CRITICAL,
            )  # fmt: skip
        with cluster, Client(cluster) as client, carried_by(client, HERE, tell) as carry:
            yield carry


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """For processes that begin within: the terminal sends it to them as well, and this one ends them."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def elsewhere(address: str, tell: Tell) -> Iterator[Carry]:
    """The workers of the scheduler at `address`.

    Raises BadInput where that is no address, CouldNot where nobody answers, or a worker is no match.
    """
    import dask
    from distributed import Client

    _check(address)
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what went wrong is told in one line
    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GB"}):
        try:
            client = Client(address, timeout=WAIT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise CouldNot(
                f"no cluster at {address}: {error}",
                hint="`dask scheduler` and `dask worker ADDRESS` make one",
            ) from None
        try:
            _refuse_others(client, address)
            with carried_by(client, f"the cluster at {address}", tell) as carry:
                yield carry
        finally:
            client.close(timeout=2)


def _check(address: str) -> None:
    """BadInput at once: Dask takes a minute over an address that is none."""
    from distributed.comm import get_address_host_port, parse_address
    from distributed.comm.registry import get_backend

    try:
        get_backend(parse_address(address)[0])
        get_address_host_port(address)
    except (ValueError, NotImplementedError):
        raise BadInput(
            f'--cluster: "{address}" is not the address of a scheduler',
            hint="as `dask scheduler` prints it, for example tcp://192.168.1.20:8786",
        ) from None


def _refuse_others(client: Any, address: str) -> None:
    """CouldNot where scheduler or a worker has no rowwater, or another one, or other libraries."""
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
    except TimeoutError:
        raise CouldNot(
            f"the scheduler at {address} has no worker", hint=f"start some: dask worker {address}"
        ) from None
    theirs = {f"worker {name}": has for name, has in client.run(versions, on_error="return").items()}
    for who, has in [("scheduler", _of_scheduler(client)), *sorted(theirs.items())]:
        if isinstance(has, dict):
            _compare(has, who)
        elif not isinstance(has, OSError):  # which a worker gives that has just gone
            raise CouldNot(f"the {who} has no rowwater: {has}", hint=HINT_SAME)


def _of_scheduler(client: Any) -> dict[str, str] | Exception:
    """It reads every piece before it hands it on."""
    try:
        found: dict[str, str] = client.run_on_scheduler(versions)
    except Exception as error:  # noqa: BLE001 - what it cannot read comes back as a bare Exception
        return error
    return found


HINT_SAME = "install this version of rowwater, with the same libraries, for scheduler and workers"


def _compare(has: dict[str, str], who: str) -> None:
    if other := _other(has):
        raise CouldNot(f"the {who} counts with another version: {other}", hint=HINT_SAME)


def _other(has: dict[str, str]) -> str:
    """What differs from what is here, in words; empty where nothing does."""
    return ", ".join(
        f"{name} {has.get(name, 'none')} (here {number})"
        for name, number in versions().items()
        if has.get(name) != number
    )


class _Weather:
    """The record that the workers have, the latest one."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._record: Record | None = None
        self._name, self._count = "", 0

    def sent(self, record: Record) -> str:
        """Its name on the workers; what they have already is not sent again."""
        from scheduler.study.worker import PLUGIN, Weather

        if record is not self._record:
            self.taken_back()
            self._record, self._count = record, self._count + 1
            self._name = f"{PLUGIN} {self._client.id} {self._count}"
            with suppress(OSError):  # of a worker that is just going: another one has it when it comes
                self._client.register_plugin(Weather(record), name=self._name)
        return self._name

    def taken_back(self) -> None:
        if self._record is not None and self._client.status == "running":
            with suppress(OSError, TimeoutError):
                self._client.unregister_worker_plugin(self._name)
        self._record = None


@contextmanager
def carried_by(client: Any, whom: str, tell: Tell) -> Iterator[Carry]:
    """By the workers of a client; whom: as they are told of where they go away."""
    from distributed.comm import CommClosedError
    from distributed.scheduler import KilledWorker

    from scheduler.study.worker import OtherVersion, forget_the_killed, run_there

    lost = (CommClosedError, KilledWorker, CancelledError, OSError, TimeoutError)
    weather, ours = _Weather(client), fingerprint()

    def carry(pieces: Iterable[Piece], record: Record) -> Iterator[tuple[Piece, list[Outcome]]]:
        try:
            name = weather.sent(record)
            pending: dict[Any, Piece] = {}
            left = iter(pieces)

            def more(count: int) -> None:
                for piece in islice(left, count):
                    pending[client.submit(run_there, piece, name, ours, pure=False)] = piece

            more(EACH * max(len(client.nthreads()), 1))
            while pending:
                for future in _finished(client, pending, tell):
                    piece = pending.pop(future)
                    yield piece, future.result()
                    more(1)
        except OtherVersion as error:
            worker, has = error.args
            raise BrokenOff(
                f"the worker {worker} counts with another version: {_other(has)}", hint=HINT_SAME
            ) from None
        except ImportError as error:
            raise BrokenOff(f"a worker has no rowwater: {error}", hint=HINT_SAME) from None
        except lost as error:
            raise BrokenOff(f"{whom} went away ({type(error).__name__})") from None

    client.run_on_scheduler(forget_the_killed)
    try:
        yield carry
    finally:
        weather.taken_back()


def _finished(client: Any, pending: Iterable[Any], tell: Tell) -> list[Any]:
    """Those of the futures that are done, one at least; while no worker is there it is told, once."""
    from distributed import wait

    futures, told = list(pending), False
    while True:
        try:
            with client.as_current():
                return list(wait(futures, timeout=QUIET_S, return_when="FIRST_COMPLETED").done)
        except TimeoutError:
            if not told and not client.nthreads():
                tell("no worker is left; the study goes on when one comes, and Ctrl-C keeps what is done")
                told = True


class BrokenOff(CouldNot):
    """The workers do not carry the study to its end; what was done is kept."""
