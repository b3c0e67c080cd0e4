"""Every *stop all* closes within two seconds, whenever it is pressed."""

from __future__ import annotations

from pathlib import Path

from long_run import LONG
from web.stop_all import WITHIN_S, FiveValves, press_often, told

PRESSES = 1000 if LONG else 25


def test_every_press_closes_what_is_open(tmp_path: Path) -> None:
    house = FiveValves(tmp_path / "shed")
    try:
        house.planned()
        house.start()
        house.start_page()
        seen = press_often(house, house.phone("note", "thumb"), PRESSES, seed=20)
    finally:
        house.end()
    assert seen.presses >= PRESSES
    assert len(seen.closed_s) > PRESSES / 2, told(seen)
    assert max(seen.closed_s) <= WITHIN_S
