"""What a valve driver promises."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, Protocol, runtime_checkable

from scheduler.errors import CouldNot

LIMIT_S = 10.0
"""The longest that one command may take before it counts as failed."""
ACTS_WITHIN_S = 120.0
"""So long after its failure a command that was sent may still take effect, unless the valve says longer."""


class ValveFailed(CouldNot):
    """The command was not confirmed: the valve counts as open until a close succeeds.

    may_act: it may have been sent, so it may still take effect. False only where that cannot be.
    """

    def __init__(self, text: str, *, hint: str | None = None, may_act: bool = True) -> None:
        super().__init__(text, hint=hint)
        self.may_act = may_act


class Site:
    """What a driver may need to know beside its own settings."""

    def __init__(
        self, zones: Sequence[str], broker: Mapping[str, Any] | None, environ: Mapping[str, str]
    ) -> None:
        self.zones = zones
        self.broker = broker  # {"host", "port", "user", "password_file"}
        self.environ = environ


class Driver(Protocol):
    """One valve (or pump). Closed is the safe state, and closed means without power.

    Calls come from one thread at a time. Each has a deadline of its own (`limit_s`): it returns confirmed,
    or raises ValveFailed, in about that time. Making a driver touches no hardware; the first call does.
    """

    key: str  # model.Valve.key
    limit_s: float

    @property
    def simulated(self) -> bool:
        """No hardware listens (a mock pin): such a run is never logged as applied."""

    def open(self, seconds: float) -> None:
        """Open; where the hardware can, tell it to close by itself after `seconds`."""

    def close(self) -> None:
        """Close; may be called at any time, also when closed, any number of times."""

    def release(self) -> None:
        """Close and give up pins, connections and threads; gives them up also where the close fails."""


@runtime_checkable
class ReadsState(Protocol):
    """A driver that may be able to ask its valve whether it is open: beside its commands, from any thread."""

    reads_state: bool

    def state(self, limit_s: float) -> bool | None:
        """None where it does not say. Raises ValveFailed."""


@runtime_checkable
class HearsState(Protocol):
    """A driver whose valve reports by itself; both are called from a thread of the driver's."""

    def listen(self, heard: Callable[[bool], None], lost: Callable[[], None]) -> None:
        """lost: the way to the valve broke; what that means says `doubt`."""


class Doubt(NamedTuple):
    """Why a valve may not have stayed open, and until when it surely did (monotonic)."""

    why: str
    since: float


def asked(driver: Driver, limit_s: float) -> bool | None:
    """Whether the valve says that it is open; None where nobody can know. Raises nothing."""
    if not (isinstance(driver, ReadsState) and driver.reads_state):
        return None
    with contextlib.suppress(Exception):  # whatever it is, it says nothing of the valve
        return driver.state(limit_s)
    return None


def doubt(driver: Driver) -> Doubt | None:
    """Why the valve may not have stayed open since the last `open`, where the driver noticed; else None.

    A run with a doubt has an uncertain length, also if its close was confirmed.
    """
    found = getattr(driver, "doubt", None)
    return found if isinstance(found, Doubt) else None


def whole_seconds(key: str, seconds: float) -> int:
    """Open time for hardware that counts whole seconds: rounded up, so that ours is the deadline that ends
    a run. Raises ValveFailed for what is no time (nan, infinite, zero or less): nothing was sent then.
    """
    if not (math.isfinite(seconds) and seconds > 0):
        raise ValveFailed(f"{key}: cannot open for {seconds} s", may_act=False)
    return math.ceil(seconds)
