"""Measured flow against expected: a burst, a clog, a shut tap, a stuck valve, a leak, or nothing.

The thresholds are common practice, no source: wide enough that filter dirt and a season's pressure changes
raise no alarm, narrow enough that an open line end (usually several times a zone's flow) does.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

BURST_SHARE = 1.4  # of the expected flow; common practice, no source
CLOG_SHARE = 0.7  # common practice, no source
SHUT_SHARE = 0.1  # common practice, no source
LEAK_LPM = 0.2  # with every valve closed; common practice, no source
SETTLE_S = 180.0  # lines fill and pressures settle; common practice, no source
WATCH_S = 60.0  # a flow is judged over this long
DRAIN_S = 300.0  # after the last close; common practice, no source
LEAK_WATCH_S = 900.0

Kind = Literal["burst", "clog", "shut", "leak"]


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong, and the flow it was told from: measured and expected, L/min."""

    kind: Kind
    flow_lpm: float
    expected_lpm: float


@dataclass(frozen=True, slots=True)
class Flow:
    """What a meter said over a stretch of time in which nothing was opened or closed."""

    steady_s: float  # since the last valve moved
    seconds: float  # over which `liters` passed
    liters: float
    expected_lpm: float  # of the open zones; 0 with all closed
    fill_s: float = 0.0  # what filling the lines takes on top

    @property
    def lpm(self) -> float:
        """Mean flow over the stretch, L/min; 0 where no time has passed.

        >>> Flow(steady_s=600, seconds=90, liters=18, expected_lpm=12).lpm
        12.0
        """
        return self.liters / self.seconds * 60 if self.seconds > 0 else 0.0


def judge(flow: Flow) -> Finding | None:
    """What a stretch of flow tells; None where it is too early, or all is well.

    >>> judge(Flow(steady_s=600, seconds=60, liters=30, expected_lpm=12)).kind
    'burst'
    >>> judge(Flow(steady_s=600, seconds=60, liters=12.4, expected_lpm=12)) is None
    True
    """
    if flow.expected_lpm <= 0:
        early = flow.steady_s < DRAIN_S + flow.seconds or flow.seconds < LEAK_WATCH_S
        return None if early or flow.lpm < LEAK_LPM else Finding("leak", flow.lpm, 0.0)
    if flow.steady_s < SETTLE_S + flow.fill_s + flow.seconds or flow.seconds < WATCH_S:
        return None
    share = flow.lpm / flow.expected_lpm
    if share >= BURST_SHARE:
        return Finding("burst", flow.lpm, flow.expected_lpm)
    if share <= SHUT_SHARE:
        return Finding("shut", flow.lpm, flow.expected_lpm)
    if share <= CLOG_SHARE:
        return Finding("clog", flow.lpm, flow.expected_lpm)
    return None


@dataclass(slots=True)
class Watch:
    """Readings of a running total, cut where valves move; `judge` for each new stretch."""

    open_valves: frozenset[str] = frozenset()
    moved_at: float | None = None
    _readings: list[tuple[float, float]] = field(default_factory=list)

    def read(
        self,
        mono: float,
        total_l: float,
        open_valves: Collection[str],
        expected_lpm: float,
        fill_s: float = 0.0,
    ) -> Finding | None:
        """What the stretch up to this reading tells, by `judge`; None where it is too early, or all is well.

        mono: seconds, on a clock that nobody sets, when the meter stood at total_l litres.  expected_lpm:
        of the open zones, L/min, 0 with all closed.  fill_s: seconds that filling the lines takes on top.  A
        stretch begins anew where another set of valves is open, its readings where the total has fallen.

        >>> watch, readings = Watch(), [(0.0, 0.0), (200.0, 40.0), (260.0, 70.0)]
        >>> found = [watch.read(mono, total_l, {"north"}, expected_lpm=12.0) for mono, total_l in readings]
        >>> found[:2], found[2].kind, found[2].flow_lpm
        ([None, None], 'burst', 30.0)
        """
        now_open = frozenset(open_valves)
        if self.moved_at is None or now_open != self.open_valves:
            self.open_valves, self.moved_at = now_open, mono
            self._readings = []
        if self._readings and total_l < self._readings[-1][1]:
            self._readings = []  # the meter began anew
        self._readings.append((mono, total_l))
        watch_s = WATCH_S if expected_lpm > 0 else LEAK_WATCH_S
        while len(self._readings) > 2 and self._readings[1][0] <= mono - watch_s:
            self._readings.pop(0)
        first, total_first = self._readings[0]
        return judge(Flow(mono - self.moved_at, mono - first, total_l - total_first, expected_lpm, fill_s))
