"""Each check of garden.yaml by itself: it complains of its own matter, and of nothing else.

What each complaint says in full is held by test_file.py.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from garden.test_file import SAMPLE, changed, complaints

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.checks.hardware import check_hardware, check_one_use_each
from scheduler.garden.checks.sources import check_sources
from scheduler.garden.checks.supply import check_supply
from scheduler.garden.checks.zones import check_zone
from scheduler.garden.crops import CropBook
from scheduler.garden.sheet import Sheet


def zones(sheet: Sheet, garden: GardenBlock) -> None:
    for name, zone in garden.zones.items():
        check_zone(sheet, CropBook(None, "us"), name, zone)


CHECKS = {
    "supply": check_supply,
    "zones": zones,
    "sources": check_sources,
    "hardware": check_hardware,
    "one use each": check_one_use_each,
}
MISTAKES = [
    ("supply", changed('until: "10:00"', 'until: "04:00"'), "supply.hours.until: "),
    ("supply", changed("  keep_back: 10%", "  flow: 5 gpm"), "supply: bucket and flow are given"),
    ("zones", changed("tape: thin", "tape: thick"), "zones.tomatoes.tape: "),
    ("zones", changed("    tape: thin\n", "    tape: thin\n    longest_run: 4 min\n"),
     "zones.tomatoes.shortest_run: "),
    ("sources", changed("mqtt: {topic: station/daily}", "service: open-meteo"), "weather.sources[3]: "),
    ("hardware", SAMPLE + "flow_from: meter\n", "flow_from: there is no meter"),
    ("hardware", SAMPLE + "notify: {command: [tell], mqtt: {topic: shed}}\n", "notify: command and mqtt"),
    ("one use each", SAMPLE + "master_valve: {gpio: 17}\n", "master_valve.gpio: pin 17 already opens a zone"),
]  # fmt: skip


def test_the_sample_passes_every_check():
    for check in CHECKS.values():
        sheet = Sheet(SAMPLE, "garden.yaml")
        check(sheet, sheet.check(GardenBlock, {"display": "us"}))
        assert sheet.complaints == []


@pytest.mark.parametrize(("name", "text", "told"), MISTAKES)
def test_a_mistake_is_the_matter_of_one_check(name, text, told):
    for other, check in CHECKS.items():
        sheet = Sheet(text, "garden.yaml")
        garden = sheet.check(GardenBlock, {"display": "us"})
        assert sheet.complaints == []
        check(sheet, garden)
        if other == name:
            assert len(sheet.complaints) == 1
            assert told in sheet.complaints[0]
        else:
            assert sheet.complaints == []


def test_a_valve_without_a_driver_in_a_group_of_zones_is_a_complaint():
    """It ended in a traceback once: the group asked for the valve's key."""
    second = SAMPLE[SAMPLE.index("  tomatoes:") :].replace("tomatoes", "beans").replace("{gpio: 17}", "{}")
    text = changed("  keep_back: 10%", "  keep_back: 10%\n  not_together: [[tomatoes, beans]]") + second
    assert [told.partition(": ")[2] for told in complaints(text)] == [
        "zones.beans.valve: missing: one of gpio, command, http, mqtt, by_hand"
    ]


def test_reading_a_garden_loads_what_stands_in_it():
    """No reader of weather for a garden that names none, and never arrays, the store or a web client."""
    code = (
        "import sys\nfrom pathlib import Path\nfrom scheduler.garden.file import load\n"
        "load(Path('examples/creekside/garden.yaml'))\n"
        "heavy = {'numpy', 'sqlalchemy', 'requests', 'difflib'} & set(sys.modules)\n"
        "weather = [m for m in sys.modules if m.startswith('scheduler.weather') and m.count('.') > 2]\n"
        "print(sorted(heavy), weather)"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.strip() == "[] []"
