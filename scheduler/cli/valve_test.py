"""`rowwater valve-test`: open each valve for a moment, watched; for the first run and after each change."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.errors import BadInput, CouldNot
from scheduler.relays.base import ACTS_WITHIN_S, ValveFailed

if TYPE_CHECKING:
    from scheduler.relays.base import Driver
    from scheduler.relays.specs import Spec
    from scheduler.service.guardlink import GuardLink

CAUTIONS = """\
Before the first valve opens:
- Stand where you see the rows, with a hand valve in reach. This program is not a safety device. To stop it:
  hand valve first, power second, Ctrl-C last.
- Mains and water: low-voltage valves from a listed, isolated supply, mains parts out of the wet. Outdoor and
  shed outlets need ground-fault protection (GFCI, RCD). Mains work and pump wiring are for a licensed
  electrician.
- Drinking water: most places require a backflow preventer on a hose that feeds the soil. Ask your supplier.
- Pressure: filter and regulator in place, inside the tape's rating. A pump must never run dry or against a
  closed line.
- Local codes, your supplier's rules and licensed plumbers and electricians come before anything written here.
- Afterwards pull each plug during a run, and see that the valves close.
"""
MAY_ACT = (
    "{}: what was sent may still take effect: it is closed again and again for {:.0f} s. Keep the hand valve "
    "in reach (Ctrl-C leaves the closing to a guard process)."
)
CLOSED_AGAIN = (
    "{}: NOT closed yet. Close it by hand, at the hand valve: its close is sent again and again, for {:.0f} "
    "s at most (Ctrl-C leaves the closing to a guard process)."
)
CLOSED_LATER = (
    "{}: closed, but not at the first try: that one may still act for {:.0f} s, and close what is opened "
    "then; the service waits for that"
)
NOT_CLOSED = "NOT closed: {}. Close it by hand NOW, at the hand valve; a guard process goes on trying."


@dataclass
class Result:
    zones: list[str]
    driver: str
    simulated: bool = False
    tried: bool = False
    right_rows: bool | None = None  # what the grower saw; None: not asked
    problem: str | None = None


@click.command(name="valve-test")
@click.argument("zones", nargs=-1, type=ZONE, metavar="[ZONE]...")
@click.option(
    "--seconds", type=click.IntRange(1, 60), default=5, show_default=True, help="how long each is open"
)
@click.option("--yes", is_flag=True, help="ask nothing: each opens in turn (be there all the same)")
@click.option("--json", "as_json", is_flag=True, help="print what was tried and seen as JSON")
@common.place_options
def command(zones: Sequence[str], seconds: int, yes: bool, as_json: bool) -> None:
    """Open the valve of each ZONE (default: all) for a moment, while you watch."""
    from scheduler.relays import quiet
    from scheduler.relays.lock import hold_valves
    from scheduler.relays.specs import specs_of
    from scheduler.service.guardlink import GuardLink

    if not yes and not common.asking_is_possible():
        raise BadInput("no terminal to ask on", hint="with --yes each valve opens without a question")
    garden = common.garden()
    wanted = {common.zone_name(garden, zone) for zone in zones} or {zone.name for zone in garden.zones}
    master = garden.service.get("master_valve")
    data = common.data_folder()
    with hold_valves(data, "rowwater valve-test"):
        link = GuardLink(os.environ, data=data)
        trial = Trial(specs_of(garden), master["valve"].key if master else None, link, seconds, yes)
        was_quiet = quiet.begin_unlisted(data)
        results = trial.walk(wanted)
        if was_quiet and trial.quiet:
            quiet.end(data)
    if as_json:
        common.print_json({"valves": [asdict(result) for result in results]})
    else:
        click.echo("\n".join(map(result_text, results)) or "no valve was tried")
    if any(result.problem for result in results):
        raise CouldNot("a valve did not do as told", hint="mend it, then run this again")
    if any(result.right_rows is False for result in results):
        click.get_current_context().exit(3)


def result_text(result: Result) -> str:
    seen = {True: "the right rows got water", False: "NOT the right rows", None: "opened and closed"}
    said = result.problem or (seen[result.right_rows] if result.tried else "not tried")
    return f"{', '.join(result.zones)} ({result.driver}): {said}{' [simulated]' if result.simulated else ''}"


class Trial:
    """One walk through the valves. Whatever happens, all are closed at its end, or a guard goes on at it."""

    def __init__(
        self,
        specs: Sequence[Spec],
        master: str | None,
        link: GuardLink,
        seconds: float,
        yes: bool,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """master: key of the valve that opens before each other one; yes: ask nothing."""
        self._specs = {spec["key"]: spec for spec in specs if spec["driver"] != "by_hand"}
        self._by_hand = [zone for spec in specs if spec["driver"] == "by_hand" for zone in spec["zones"]]
        self._master = master if master in self._specs else None
        self._link = link
        self._seconds = seconds
        self._yes = yes
        self._sleep = sleep
        self._drivers: dict[str, Driver] = {}
        self._broken: dict[str, str] = {}
        self._unclosed = False  # a valve that was opened here: nothing more opens
        self.quiet = True  # no close that was sent may still take effect

    def walk(self, wanted: set[str]) -> list[Result]:
        if by_hand := [zone for zone in self._by_hand if zone in wanted]:
            _say(f"opened by hand, nothing to test: {', '.join(by_hand)}")
        chosen = [spec for spec in self._specs.values() if wanted & set(spec["zones"])]
        if not chosen:
            return []
        _say(CAUTIONS)
        self._link.start(list(self._specs.values()))
        with self._link.beating():
            try:
                self._close_all_first()
                return [self._one(spec) for spec in chosen]
            finally:
                self._let_go()

    def _close_all_first(self) -> None:
        from scheduler.relays.specs import driver_of
        from scheduler.relays.trial import close_surely

        _say("first every valve is closed ...")
        for key, spec in self._specs.items():
            try:
                self._drivers[key] = driver_of(spec, os.environ)
                if not close_surely(self._drivers[key], self._link, sleep=self._sleep):
                    self._closed_later([key])
            except ValveFailed as failed:
                self.quiet = False
                self._broken[key] = f"cannot be closed: {_words(failed)}"
                _say(f"{', '.join(spec['zones'])}: {self._broken[key]}")

    def _one(self, spec: Spec) -> Result:
        from scheduler.relays.trial import NotClosed, open_briefly

        names = ", ".join(spec["zones"])
        result = Result(list(spec["zones"]), spec["driver"])
        if self._unclosed:
            return result
        keys = [key for key in (self._master, spec["key"]) if key]
        result.problem = next((self._broken[key] for key in keys if key in self._broken), None)
        if result.problem:
            return result
        drivers = [self._drivers[key] for key in keys]
        result.simulated = any(driver.simulated for driver in drivers)
        asked = f"{names} ({spec['driver']}): open for {self._seconds:g} seconds?"
        if not self._yes and not click.confirm(asked, default=False, err=True):
            return result
        result.tried = True
        _say(f"{names}: open for {self._seconds:g} s" + (" (simulated)" if result.simulated else ""))
        try:
            over = open_briefly(drivers, self._seconds, self._link, sleep=self._sleep)
        except ValveFailed as failed:
            self.quiet = False
            result.problem = _words(failed)
            _say(f"{names}: {result.problem}")
            if failed.may_act or isinstance(failed, NotClosed):
                self._keep_closing(names, keys, late=failed.may_act)
            return result
        if over:
            _say(f"{names}: closed")
        else:
            self._closed_later(keys)
        if not self._yes and not result.simulated:
            asked = f"Did water come from the rows of {names}, and from no others?"
            result.right_rows = click.confirm(asked, default=False, err=True)
        return result

    def _closed_later(self, keys: Sequence[str]) -> None:
        """Not at the first try of each: the service waits for what may still come of that one."""
        self.quiet = False
        names = ", ".join(self._specs[keys[-1]]["zones"])
        longest = max(float(self._specs[key].get("acts_within_s", ACTS_WITHIN_S)) for key in keys)
        _say(CLOSED_LATER.format(names, longest))

    def _keep_closing(self, names: str, keys: Sequence[str], *, late: bool) -> None:
        """Whichever of these valves it was: before the next one opens, nothing of this may be left.

        late: an open may still take effect; else a valve is open whose close is not confirmed.
        """
        from scheduler.relays.trial import close_again

        acts_within_s = {key: float(self._specs[key].get("acts_within_s", 0.0)) for key in reversed(keys)}
        longest = max(*acts_within_s.values(), 0.0 if late else ACTS_WITHIN_S)
        if longest:
            _say((MAY_ACT if late else CLOSED_AGAIN).format(names, longest))
        for key, seconds in acts_within_s.items():
            limit_s = seconds if late else max(seconds, ACTS_WITHIN_S)
            try:
                close_again(self._drivers[key], self._link, limit_s, late=late, sleep=self._sleep)
            except ValveFailed:  # told at the end, and left to the guard
                self._unclosed = True
        _say(f"{names}: " + ("still NOT closed; nothing more is opened" if self._unclosed else "closed"))

    def _let_go(self) -> None:
        """Close all once more; the guard is dismissed only when each is confirmed."""
        unclosed = []
        for key, driver in self._drivers.items():
            try:
                driver.release()
            except ValveFailed as failed:
                self.quiet = False
                unclosed.append(f"{', '.join(self._specs[key]['zones'])} ({_words(failed)})")
        if unclosed:
            _say(NOT_CLOSED.format("; ".join(unclosed)))
        else:
            self._link.bye()


def _words(failed: ValveFailed) -> str:
    return f"{failed.text} ({failed.hint})" if failed.hint else failed.text


def _say(text: str) -> None:
    click.echo(text, err=True)
