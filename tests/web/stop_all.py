"""*Stop all* pressed at random moments: the real page, the real service, valves that are programs.

`PYTHONPATH=tests python tests/web/stop_all.py --presses 1000 --seed 1` prints what it saw.
"""

from __future__ import annotations

import argparse
import random
import re
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from service.shed import VALVE
from web.real import Creekside, Phone

from scheduler.service.ask import ask
from scheduler.service.guard import IN_FLIGHT_S

WITHIN_S = 2.0
ZONES = ("tomatoes", "beans", "lettuce", "squash", "onions")


class FiveValves(Creekside):
    """The example with a valve in each zone, and water for all of them at once."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.tick, self.beat, self.in_flight, self.acts_within_s = "0.5", 30.0, IN_FLIGHT_S, None  # its own
        text = self.garden.read_text().replace("time: 40 s", "time: 4 s")
        for zone in ZONES:
            valve = VALVE.format(name=zone, relay=folder / "relay", cap="6 h")
            text = re.sub(rf"(?ms)^(  {zone}:\n.*?valve: ){{by_hand: true}}", rf"\g<1>{valve}", text, count=1)
        self.garden.write_text(text)


def uptime_s() -> float:
    """The clock of the relay's own notes."""
    return float(Path("/proc/uptime").read_text().split()[0])


@dataclass
class Seen:
    """closed_s: from the press to the last close of what was open then, of each press that found water."""

    closed_s: list[float] = field(default_factory=list)
    open_at_press: Counter[int] = field(default_factory=Counter)
    presses: int = 0
    opened_after: int = 0  # a wish for water that reached the service after the stop, as it may


def press_often(house: FiveValves, phone: Phone, presses: int, seed: int) -> Seen:
    """Zones open at random, in part just as the thumb comes down. AssertionError where one stays open."""
    dice = random.Random(seed)
    seen = Seen()
    phone.get("/")
    form = phone.form("/do/stop-all").fields
    for _ in range(presses):
        opened = dice.sample(ZONES, dice.choice((0, 1, 1, 2, 3, 5)))
        wishes = [_wish(house, zone, dice.uniform(0.05, 30)) for zone in opened]
        for wish in wishes:
            wish.join()
        time.sleep(dice.uniform(0, 0.4))
        late = _wish(house, dice.choice(ZONES), 5.0) if dice.random() < 0.3 else None
        time.sleep(dice.uniform(0, 0.1) if late else 0)
        _press(house, phone, form, seen, late)
        if seen.presses % 50 == 0:
            print(told(seen), file=sys.stderr)
    return seen


def _wish(house: FiveValves, zone: str, minutes: float) -> threading.Thread:
    """For water, under way; it may be refused."""
    thread = threading.Thread(
        target=ask, args=(house.data, {"do": "water", "zone": zone, "minutes": minutes})
    )
    thread.start()
    return thread


def _press(
    house: FiveValves, phone: Phone, form: dict[str, str], seen: Seen, late: threading.Thread | None
) -> None:
    before, at = _open(house), uptime_s()
    answer = phone.session.post(
        phone.url + "/do/stop-all",
        data=form,
        headers={"Origin": phone.url},
        timeout=60,
        allow_redirects=False,
    )
    assert answer.status_code == 303, answer.text
    if late is not None:
        late.join()
    seen.presses += 1
    seen.open_at_press[len(before)] += 1
    closed = {}
    while missing := before - closed.keys():
        for line in house.lines():
            if line.word == "close" and line.at >= at - 0.02 and line.zone in missing:
                closed.setdefault(line.zone, line.at)
        assert uptime_s() < at + 30, f"{missing} still open half a minute after the press"
    if closed:
        seen.closed_s.append(max(closed.values()) - at)
        assert seen.closed_s[-1] <= WITHIN_S, (seen.presses, closed, at)
    if (still := _open(house)) and late is not None:
        seen.opened_after += 1
        assert len(still) == 1
        _press(house, phone, form, seen, None)
        return
    assert not still, still


def _open(house: FiveValves) -> set[str]:
    return {zone for zone in ZONES if house.is_open(zone)}


def told(seen: Seen) -> str:
    times = sorted(seen.closed_s)
    late = sum(one > WITHIN_S for one in times)
    return (
        f"{seen.presses} presses, {len(times)} with water running; closed after "
        f"{statistics.median(times):.2f} s (median), {times[int(0.99 * len(times))]:.2f} s (99 of 100), "
        f"{times[-1]:.2f} s at most; later than {WITHIN_S:g} s: {late}; valves open at the press: "
        f"{dict(sorted(seen.open_at_press.items()))}; water asked for too late for one press, and stopped by "
        f"the next: {seen.opened_after}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="stop-all-") as folder:
        house = FiveValves(Path(folder) / "shed")
        try:
            house.planned()
            house.start()
            house.start_page()
            print(told(press_often(house, house.phone("note", "thumb"), given.presses, given.seed)))
        finally:
            house.end()


if __name__ == "__main__":
    main()
