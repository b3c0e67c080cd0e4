"""From what a valve did to the records of water given (model M9): never the plan; bounds where in doubt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from scheduler.model import Applied, Outcome, Share, Unsettled
from scheduler.service.actions import OpenRun

DONE_SLACK_S = 2.0  # a run this close to its planned length is done
MISSED_BEATS = 3  # a run is ended when so many heartbeats could not be written
GUARD_S = 5.0  # the guard has closed every valve this long after the program died or froze


def records(held: OpenRun, now: datetime) -> tuple[Applied, ...]:
    """The water of an opening that is closed. Nothing for a run by hand that was never sent."""
    if held.sent_mono is None or held.simulated:
        by_hand = held.until is None
        return () if by_hand else never_opened(held.opening.shares, now)
    most_s = _most(held)
    if held.opened_mono is None:
        outcome: Outcome = "interrupted" if held.late else "never opened"
        return tuple(
            _record(share, 0.0, outcome, now, held.opened_at, held.closed_at, bounds=(0.0, most_s))
            for share in held.opening.shares
        )
    least_s = most_s
    if held.doubt_from is not None:
        least_s = min(max(held.doubt_from - held.opened_mono, 0.0), most_s)
    seconds = (least_s + most_s) / 2
    if least_s < held.planned_s:  # it was lost in its time: what was told to close by itself ran no longer
        seconds = min(seconds, held.planned_s)
    bounds = (least_s, most_s) if held.doubt_from is not None else None
    return tuple(
        _record(
            share, seconds, _outcome(held, least_s), now, held.opened_at, held.closed_at, bounds=bounds,
            liters=_part(held, share),
        )
        for share in held.opening.shares
    )  # fmt: skip


def _most(held: OpenRun) -> float:
    if held.opened_mono is None and held.late:  # it takes effect once, and each confirmed close ends that
        return held.longest_gap_s
    begin = held.opened_mono if held.opened_mono is not None else held.sent_mono
    if begin is None or held.closed_mono is None:
        return 0.0
    return max(held.closed_mono - begin, 0.0)


def _outcome(held: OpenRun, seconds: float) -> Outcome:
    if held.lost:
        return "interrupted"
    return "done" if seconds >= held.planned_s - DONE_SLACK_S else "cut short"


def _part(held: OpenRun, share: Share) -> float | None:
    if held.liters is None or held.flow_lpm <= 0:
        return None
    return held.liters * share.flow_lpm / held.flow_lpm


def line(held: OpenRun) -> str | None:
    """What the grower must hear of an opening that did not go as planned."""
    if held.simulated:
        return f"{held.names}: only simulated (no pin hardware answered): nothing is counted as given"
    if held.sent_mono is None:
        return f"{held.names}: did not open: {held.why}" if held.why else None
    if held.opened_mono is None and held.late:
        return (
            f"{held.names}: between 0 and {_most(held) / 60:.1f} of {held.planned_s / 60:.1f} min given: "
            f"{held.why}"
        )
    if held.opened_mono is None:
        return f"{held.names}: did not open: {held.why or 'its valve failed'}"
    reasons = "; ".join([*([held.why] if held.why else []), *held.doubts])
    if not reasons:
        return None
    return (
        f"{held.names}: {_most(held) / 60:.1f} of {held.planned_s / 60:.1f} min given"
        f"{', at most' if held.doubt_from is not None else ''}: {reasons}"
    )


def never_opened(shares: Iterable[Share], now: datetime) -> tuple[Applied, ...]:
    """Answers planned runs with no water."""
    return tuple(_record(share, 0.0, "never opened", now, None, None) for share in shares)


def recovered(
    lost: Unsettled, *, closed_mono: float, boot: str, beat_s: float, now: datetime, late_s: float = 0.0
) -> tuple[Applied, ...]:
    """An opening that the program did not live to close: bounds from its last heartbeat.

    closed_mono: when this start confirmed the close. On the same start of the computer the clock runs on, so
    no more than that passed. After another one the power was gone before many more heartbeats were due, and a
    normally closed valve closes with it. late_s: for so long after that its open might still take effect.
    """
    opening = lost.opening
    least_s = lost.open_seconds or 0.0
    last_s = least_s  # a valve that does not confirm its close is written down for longer than it is sure
    if lost.beat_at is not None:
        last_s = max(last_s, (lost.beat_at - opening.recorded_at).total_seconds())
    if lost.beats_lost:  # then only its deadline is known
        last_s = max(last_s, opening.seconds)
    most_s = last_s + (MISSED_BEATS + 1) * beat_s + 2 * GUARD_S + late_s
    if boot == opening.boot:
        most_s = max(closed_mono - opening.monotonic_s, least_s)
    best_s = 0.0
    if lost.open_seconds is not None:
        best_s = min(least_s + beat_s / 2, most_s, max(opening.seconds, least_s))
    return tuple(
        _record(share, best_s, "interrupted", now, opening.recorded_at, None, bounds=(least_s, most_s))
        for share in opening.shares
    )


def _record(
    share: Share,
    seconds: float,
    outcome: Outcome,
    now: datetime,
    opened_at: datetime | None,
    closed_at: datetime | None,
    *,
    bounds: tuple[float, float] | None = None,
    liters: float | None = None,
) -> Applied:
    minutes = seconds / 60
    measured = liters is not None and share.flow_lpm > 0
    flowing = (liters or 0.0) / share.flow_lpm if measured else minutes
    wets = max(flowing - share.fill_minutes, 0.0)
    return Applied(
        zone=share.zone,
        day=share.day,
        minutes=minutes,
        liters=flowing * share.flow_lpm,
        gross_mm=wets * share.gross_per_minute,
        net_mm=wets * share.net_per_minute,
        outcome=outcome,
        recorded_at=now,
        pulse=share.pulse,
        opened_at=opened_at,
        closed_at=closed_at,
        measured=measured,
        least_minutes=None if bounds is None else bounds[0] / 60,
        most_minutes=None if bounds is None else bounds[1] / 60,
    )


def by_others(
    shares: Iterable[Share], *, least_s: float, most_s: float, now: datetime
) -> tuple[Applied, ...]:
    """Water of a valve that was found open though nothing here had opened it."""
    best_s, bounds = (least_s + most_s) / 2, (least_s, most_s)
    return tuple(_record(share, best_s, "interrupted", now, None, now, bounds=bounds) for share in shares)


def missed(share: Share, pulse: int, now: datetime) -> Applied:
    """A planned run of an earlier day that nobody opened."""
    return replace(_record(share, 0.0, "never opened", now, None, None), pulse=pulse)
