"""Is the wall clock to be trusted? With a wrong one nothing opens."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from functools import cache
from pathlib import Path

TIMESYNCD = Path("/run/systemd/timesync/synchronized")
"""systemd-timesyncd makes it at its first synchronisation after the start of the computer."""
TOLERANCE_S = 60.0  # so much earlier than the newest record a clock may be: small corrections are usual
STEP_S = 5.0  # a jump of the wall clock against the monotonic one that is worth a line
_STA_UNSYNC = 0x0040  # of adjtimex(2)


@dataclass(frozen=True, slots=True)
class Verdict:
    wall_s: float  # to be used: the clock's own time, or counted on from when it was last right
    trusted: bool
    why_not: str | None
    dated: bool
    stepped_s: float | None  # how far the clock was set since the last look


@dataclass(slots=True)
class Trust:
    """Pure: what the clocks and the witnesses say comes in.

    rtc: the owner vouches for a clock with a battery.
    """

    rtc: bool = False
    newest_s: float = float("-inf")  # of any record: no right clock is earlier
    _offset: float | None = None  # wall - monotonic at the last look
    _anchor: tuple[float, float] | None = None  # wall and monotonic when it was last trusted

    def record(self, wall_s: float) -> None:
        self.newest_s = max(self.newest_s, wall_s)

    def judge(self, wall_s: float, mono_s: float, synchronised: bool) -> Verdict:
        offset = wall_s - mono_s
        step = None if self._offset is None else offset - self._offset
        self._offset = offset
        stepped = step if step is not None and abs(step) > STEP_S else None
        why_not = self._doubt(wall_s, synchronised)
        if why_not is None:
            self._anchor = wall_s, mono_s
            return Verdict(wall_s, True, None, True, stepped)
        if self._anchor is None:
            return Verdict(wall_s, False, why_not, False, stepped)
        counted_on = self._anchor[0] + (mono_s - self._anchor[1])
        return Verdict(counted_on, False, why_not, True, stepped)

    def _doubt(self, wall_s: float, synchronised: bool) -> str | None:
        if wall_s < self.newest_s - TOLERANCE_S:
            return "it is earlier than the newest record"
        if not synchronised and not self.rtc:
            return "not set by the network yet, and no clock with a battery (clock: rtc) is vouched for"
        return None


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as far as `status`; the rest is room."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_byte * 512),
    ]


@cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None)


def kernel_synchronised() -> bool:
    """Whether some time service (chrony, ntpd, timesyncd) disciplines the kernel's clock: adjtimex(2)."""
    timex = _Timex()
    try:
        state = _libc().adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return False
    return bool(state >= 0 and not timex.status & _STA_UNSYNC)
