"""Which valves the service looks after: valves.json on disk, a thread for each, and the guard's list."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.relays import quiet
from scheduler.relays import specs as valve_specs
from scheduler.relays.base import ACTS_WITHIN_S, Driver, ValveFailed
from scheduler.service.brief import Brief
from scheduler.service.guard_keeper import GuardKeeper
from scheduler.service.stop import Stop
from scheduler.service.valve_threads import ValveThreads

log = logging.getLogger("rowwater")

FIRST_CLOSE_S = 5.0  # so long the start waits for the valves to confirm that they are closed


class _Broken:
    """In place of a driver that cannot be made: it never confirms, so its valve counts as open."""

    simulated = False
    limit_s = 1.0

    def __init__(self, key: str, why: str) -> None:
        self.key = key
        self._why = why

    def open(self, seconds: float) -> None:  # noqa: ARG002 - the protocol's own argument
        raise ValveFailed(self._why, may_act=False)

    def close(self) -> None:
        raise ValveFailed(self._why)

    def release(self) -> None:
        pass


class ValvesInUse:
    def __init__(
        self,
        data: Path,
        environ: Mapping[str, str],
        threads: ValveThreads,
        guard: GuardKeeper,
        acts_within_s: float | None = None,
    ) -> None:
        """acts_within_s: in place of every valve's own."""
        self._path = data / valve_specs.VALVES
        self._data = data
        self._may_shut = True  # a close that an earlier process sent may still take effect
        self._environ = environ
        self._threads = threads
        self._guard = guard
        self._acts_within = {} if acts_within_s is None else {"acts_within_s": acts_within_s}

    def close_first(self, stop: Stop) -> None:
        """Every valve of the last configuration, before anything else may fail."""
        try:
            known = valve_specs.load(self._path) if self._path.exists() else []
        except CouldNot as error:
            log.error("%s", error)
            known = []
        self._may_shut = not quiet.begin(self._data)
        self._take(known)
        give_up = time.monotonic() + FIRST_CLOSE_S
        while self._threads.unconfirmed() and time.monotonic() < give_up and stop.why is None:
            stop.wait(0.02)

    def leave(self) -> None:
        """At the very end."""
        if self._threads.quiet():
            quiet.end(self._data)

    def use(self, brief: Brief) -> None:
        """valves.json first: whatever happens next, the next start closes these too. CouldNot."""
        own = [spec | self._acts_within for spec in brief.specs()]
        keys = {spec["key"] for spec in own}
        before: list[valve_specs.Spec] = []
        with contextlib.suppress(CouldNot):
            before = valve_specs.load(self._path) if self._path.exists() else []
        here = self._threads.every_valve()
        union = [*own, *(spec for spec in before if spec["key"] not in keys and spec["key"] in here)]
        valve_specs.save(self._path, union)
        self._take(own)
        self._may_shut = False  # a valve that comes later was driven by nobody lately
        self._guard.start(union)

    def _take(self, specs: Sequence[valve_specs.Spec]) -> None:
        drivers: dict[str, tuple[Driver, float, float]] = {}
        for spec in specs:
            if spec["driver"] == "by_hand":
                continue
            try:
                driver = valve_specs.driver_of(spec, self._environ)
            except ValveFailed as error:
                driver = _Broken(spec["key"], error.text)
            cap_s, acts_within_s = spec.get("cap_s", 6 * 3600), spec.get("acts_within_s", ACTS_WITHIN_S)
            drivers[spec["key"]] = (driver, float(cap_s), float(acts_within_s))
        self._threads.take(drivers, may_shut=self._may_shut)
