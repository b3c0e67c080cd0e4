"""How much a grower is told over a season: `python tests/lived/count.py [GARDEN ...]`.

Counts, for each garden and for a plain and a forgetful grower: mornings with exit status 3, lines of a
morning at 80 columns, remarks of a morning and words of a remark.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean, median

sys.path.insert(0, str(Path(__file__).parents[1]))

from lived.gardens import PLACES, Place  # noqa: E402 - found by the line above
from lived.habits import Grower  # noqa: E402
from lived.play import Shed, days_between  # noqa: E402


@dataclass
class Count:
    looks: int = 0
    lines: list[int] = field(default_factory=list)
    words: list[int] = field(default_factory=list)
    remarks: list[int] = field(default_factory=list)

    def morning(self, shed: Shed) -> None:
        said = shed("morning")
        self.looks += said.status == 3
        self.lines.append(len(said.out.splitlines()))
        notices = shed.today["notices"]
        self.remarks.append(len(notices))
        self.words += [len(notice["text"].split()) for notice in notices]

    def __str__(self) -> str:
        return (
            f"status 3 on {self.looks} of {len(self.lines)} mornings; "
            f"lines a morning: median {median(self.lines):.0f}, most {max(self.lines)}; "
            f"remarks a morning: mean {fmean(self.remarks):.1f}, most {max(self.remarks)}; "
            f"words a remark: mean {fmean(self.words):.1f}, most {max(self.words)}"
        )


def plain(place: Place, folder: Path) -> Count:
    """Plans each morning, reads, waters as told, answers at noon."""
    shed, count = Shed(place, folder, advice=True), Count()
    for day in days_between(place.first, place.last):
        shed.at(day, "03:50")
        shed.weather()
        shed("day")
        shed.at(day, "06:30")
        count.morning(shed)
        shed.at(day, "12:00")
        if shed.today["runs"]:
            shed("note", "applied", "--as-planned")
    return count


def forgetful(place: Place, folder: Path) -> Count:
    grower, count = Grower(Shed(place, folder, advice=True), 1, books=False), Count()
    for day in days_between(place.first, place.last):
        grower.plan(day)
        count.morning(grower.shed)
        grower.lives_through(day)
    return count


def main() -> None:
    for place in [one for one in PLACES if one.name in sys.argv[1:]] or PLACES:
        for grower in (plain, forgetful):
            with tempfile.TemporaryDirectory() as folder:
                print(f"{place.name}, {grower.__name__}: {grower(place, Path(folder))}", flush=True)


if __name__ == "__main__":
    main()
