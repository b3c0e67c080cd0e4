"""Quantities: read from text to the house unit, and shown again.

Conversion factors are those that NIST Special Publication 811 (2008), appendix B.8, prints with seven digits
(typed in from memory of the table; the inch, foot, yard, mile, knot and gallon follow exactly from their
definitions, which the same publication gives).
"""

from __future__ import annotations

import csv
import math
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler import show as words
from scheduler.units import _SIZES, KINDS, BadQuantity, read

# unit text, kind, house units in one (NIST SP 811 B.8, printed digits)
NIST = [
    ("ft", "length", 3.048e-01),
    ("in", "length", 2.54e-02),
    ("yd", "length", 9.144e-01),
    ("mi", "length", 1.609344e03),
    ("mil", "length", 2.54e-05),
    ("in", "depth", 2.54e01),
    ("psi", "pressure", 6.894757e00),
    ("bar", "pressure", 1.0e02),
    ("mbar", "pressure", 1.0e-01),
    ("gal", "volume", 3.785412e00),
    ("qt", "volume", 9.463529e-01),
    ("ft3", "volume", 2.831685e01),
    ("gpm", "flow", 6.309020e-02 * 60),
    ("gal/h", "flow", 3.785412e00 / 60),
    ("mph", "speed", 4.4704e-01),
    ("km/h", "speed", 2.777778e-01),
    ("knot", "speed", 5.144444e-01),
    ("h", "duration", 3.6e03 / 60),
    ("d", "duration", 8.64e04 / 60),
    ("gpm/100ft", "tape flow", 6.309020e-02 * 60 / 30.48),
    ("gal/d", "flow", 4.381264e-05 * 60),
    ("ft3/min", "flow", 4.719474e-01 * 60),
    ("ft/s", "speed", 3.048e-01),
    ("ft/min", "speed", 5.08e-03),
    ("in/s", "speed", 2.54e-02),
    ("micron", "length", 1.0e-06),
    ("mmho/cm", "salinity", 1.0),  # one mho is one siemens
]
# unit text, kind, house units in one (the prefixes of the SI; BIPM SI Brochure, 9th edition, tables 7 and 8)
SI = [
    ("m", "length", 1.0),
    ("cm", "length", 0.01),
    ("mm", "depth", 1.0),
    ("km", "length", 1000.0),
    ("Pa", "pressure", 0.001),
    ("hPa", "pressure", 0.1),
    ("kPa", "pressure", 1.0),
    ("L", "volume", 1.0),
    ("mL", "volume", 0.001),
    ("m3", "volume", 1000.0),
    ("s", "duration", 1 / 60),
    ("min", "duration", 1.0),
    ("lpm", "flow", 1.0),
    ("lph", "flow", 1 / 60),
    ("gph", "flow", 3.785411784 / 60),
    ("dS/m", "salinity", 1.0),
    ("mS/cm", "salinity", 1.0),
    ("µS/cm", "salinity", 0.001),
    ("kmh", "speed", 1 / 3.6),
    ("%", "fraction", 0.01),
]


@pytest.mark.parametrize(("unit", "kind", "factor"), NIST)
def test_factors_are_those_of_the_standard(unit, kind, factor):
    assert read(kind, f"1 {unit}", display="us") == pytest.approx(factor, rel=5e-7)  # the printed digits


@pytest.mark.parametrize(("unit", "kind", "factor"), SI)
def test_prefixes_are_those_of_the_si(unit, kind, factor):
    assert read(kind, f"1 {unit}", display="us") == pytest.approx(factor, rel=1e-14)


def test_every_unit_is_held_against_a_standard():
    held = {term.casefold() for unit, _, _ in NIST + SI for term in unit.replace("100ft", "ft").split("/")}
    for spellings in _SIZES:
        assert {unicodedata.normalize("NFKC", term) for term in held} & set(spellings.split()), spellings


RECORDED = Path(__file__).with_name("units_recorded.csv")


def test_every_spelling_means_what_it_meant_before():
    with RECORDED.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) > 2000
    changed = []
    for row in rows:
        try:
            answer = read(row["kind"], row["text"], display=row["display"])
        except BadQuantity as error:
            same = row["answer"] == f"! {error}"
        else:
            same = row["answer"][0] != "!" and math.isclose(answer, float(row["answer"]), rel_tol=1e-14)
        if not same:
            changed.append(row)
    assert changed == []


def test_a_divisor_too_small_for_a_number_is_refused():
    with pytest.raises(BadQuantity, match="is not a flow"):
        read("tape flow", "5 gal/1e-200 min/1e-200 ft", display="us")


def test_exact_definitions():
    assert read("volume", "1 gal", display="us") == 3.785411784  # 231 cubic inches
    assert read("pressure", "1 psi", display="us") == 6.894757293168
    assert read("depth", "1 in", display="us") == 25.4
    assert read("speed", "1 mph", display="us") == 0.44704
    assert math.isclose(words.LITERS_PER_GALLON, 231 * 2.54**3 / 1000, rel_tol=1e-15)
    assert math.isclose(words.KPA_PER_PSI, 0.45359237 * 9.80665 / 0.0254**2 / 1000, rel_tol=1e-12)  # lbf/in2


SPELLINGS = [
    ("length", 24.384, ["80 ft", "80ft", "80 feet", "80 Foot", "80'", "80’", "80′", "26.66666666666667 yd"]),
    ("length", 0.6096, ["24 in", '24"', "24”", "24''", "24 inches", "24 in.", "2 ft", "2'"]),
    ("length", 24.5364, ["80 ft 6 in", "80'6\"", "80' 6\"", "80'-6\"", "80 feet 6 inches", "80ft6in"]),
    ("length", 0.015875, ["5/8 in", "5/8in", "⅝ in", "0.625 in", "625 mil"]),
    ("length", 0.0381, ["1 1/2 in", "1-1/2 in", "1½ in", "1.5 in", "38.1 mm", "3.81 cm"]),
    ("length", 0.0002032, ["8 mil", "8 mils", "8 thou", "203.2 micron", "203.2 µm"]),
    ("length", 457.2, ["1,500 ft", "1500 ft", "1.5e3 ft"]),
    ("length", -1.524, ["-5 ft", "−5 ft", "-5'"]),
    ("tape flow", 0.04967732, ["0.40 gpm/100ft", "0.40 GPM / 100 ft", "0.4 gpm per 100 ft", "24 gph/100'"]),
    ("tape flow", 5 / 60, ["5 L/h/m", "5 l/h per m", "5 lph/m", "0.08333333333333333 L/min/m"]),
    ("flow", 20.0, ["20 L/min", "20 lpm", "20 LPM", "1200 L/h", "1.2 m3/h", "1.2 m^3/h", "20 litres/minute"]),
    ("flow", 5 * 3.785411784, ["5 gpm", "5 gal/min", "5 gallons per minute", "300 gph", "5 gal/60 s"]),
    ("volume", 5 * 3.785411784, ["5gal", "5 gal", "5 gallons", "5 gal.", "20 quarts"]),
    ("volume", 1500 * 3.785411784, ["1,500 gal", "1500 gal", "1.5e3gal"]),
    ("volume", 20.0, ["20 L", "20 l", "20 liters", "20 litres", "20000 ml", "0.02 m3", "0.02 cubic meters"]),
    ("duration", 58 / 60, ["58s", "58 s", "58 sec", "58 seconds"]),
    ("duration", 45.0, ["45min", "45 min", "45 minutes", "45 mins", "0.75 h", "3/4 hour"]),
    ("duration", 90.0, ["1 h 30 min", "1h30min", "1h30", "1.5 h", "1 hr 30 mins", "90"]),
    ("duration", 65.0, ["1h05", "1 h 5 min", "1 hour 5"]),
    ("duration", 2880.0, ["2 days", "2 d", "48 h", "2880"]),
    ("pressure", 12 * 6.894757293168, ["12 psi", "12psi", "12 PSI", "12 psig"]),
    ("pressure", 80.0, ["80 kPa", "0.8 bar", "800 mbar", "800 hPa", "80000 Pa"]),
    ("speed", 2.01168, ["4.5 mph", "4.5 mi/h", "4.5 miles per hour"]),
    ("speed", 10 / 3.6, ["10 km/h", "10 kph", "10 kmh"]),
    ("salinity", 1.1, ["1.1 dS/m", "1.1 ds/m", "1.1 mS/cm", "1100 µS/cm", "1.1 mmho/cm", "1.1"]),
    ("fraction", 0.1, ["10%", "10 %", "0.1", ".1", "10 percent", "1/10"]),
    ("percent", 55.0, ["55", "55%", "55 %"]),
    ("slope", 0.02, ["+2%", "2%", "+0.02", "0.02"]),
    ("slope", -0.01, ["-1%", "−1 %", "-0.01"]),
    ("number", 1.15, ["1.15", "+1.15"]),
]


@pytest.mark.parametrize(("kind", "value", "text"), [(k, v, t) for k, v, ts in SPELLINGS for t in ts])
def test_spellings(kind, value, text):
    assert read(kind, text, display="us") == pytest.approx(value, rel=1e-12)
    assert read(kind, f"  {text} ", display="metric") == pytest.approx(value, rel=1e-12)


def test_decimals_come_out_as_a_person_would_write_them():
    assert read("length", "24 in", display="us") == 0.6096  # the bare product is 0.6095999999999999
    assert read("length", "80 ft", display="us") / read("length", "12 in", display="us") == 80


REFUSED = [
    ("tape flow", "forty", '"forty" is not a flow - for example "0.40 gpm/100ft"'),
    ("length", "3 psi", '"3 psi" is a pressure, not a length - for example "80 ft"'),
    ("pressure", "3 ft", '"3 ft" is a length, not a pressure - for example "12 psi"'),
    ("tape flow", "3 gpm", '"3 gpm" is a flow, not a flow per length of tape - for example "0.40 gpm/100ft"'),
    ("flow", "5 gal", '"5 gal" is a volume, not a flow - for example "5.2 gpm"'),
    ("duration", "5 m", '"5 m" is a length, not a duration - for example "45 min"'),
    ("speed", "5 gal/58 s", '"5 gal/58 s" is a flow, not a speed - for example "4.5 mph"'),
    ("number", "50%", '"50%" is a percentage, not a number - for example "0.5"'),
    ("length", "80", '"80" has no unit - for example "80 ft"'),
    ("flow", "5.2", '"5.2" has no unit - for example "5.2 gpm"'),
    ("depth", "0", '"0" has no unit - for example "0.6 in"'),
    ("length", "nan ft", '"nan ft" is not a length - for example "80 ft"'),
    ("length", "inf ft", '"inf ft" is not a length - for example "80 ft"'),
    ("length", "- 5 ft", '"- 5 ft" is not a length - for example "80 ft"'),
    ("length", "1e999 ft", '"1e999 ft" is not a length - for example "80 ft"'),
    ("length", "", '"" is not a length - for example "80 ft"'),
    ("length", "ft", '"ft" is not a length - for example "80 ft"'),
    ("length", "80 ft 6", '"80 ft 6" is not a length - for example "80 ft"'),
    ("length", "6 in 80 ft", '"6 in 80 ft" is not a length - for example "80 ft"'),
    ("length", "5 ft 14 in", '"5 ft 14 in" is not a length - for example "80 ft"'),
    ("length", "1/0 in", '"1/0 in" is not a length - for example "80 ft"'),
    ("flow", "5 gpm 3 gpm", '"5 gpm 3 gpm" is not a flow - for example "5.2 gpm"'),
    ("flow", "-1 gpm", '"-1 gpm": a flow cannot be negative'),
    ("length", "010 ft", '"010 ft" starts with a zero, which reads in two ways - leave the zero out'),
    ("flow", "0,40 gpm", '"0,40 gpm" has a decimal comma - write the point as a dot: "0.40 gpm"'),
    ("length", "1,5 m", '"1,5 m" has a decimal comma - write the point as a dot: "1.5 m"'),
    ("duration", "2:30", '"2:30" looks like a time of day - write "2 h 30 min" or "2 min 30 s"'),
    ("duration", "0:58", '"0:58" looks like a time of day - write "58 min" or "58 s"'),
    ("duration", "1:02:03", '"1:02:03" looks like a time of day - write "1 h 2 min 3 s"'),
    ("flow", "5 gpn",
     '"5 gpn" is not a flow: no unit "gpn" is known (did you mean "gpm"?) - for example "5.2 gpm"'),
    ("pressure", "5 lb", '"5 lb" is not a pressure: no unit "lb" is known - for example "12 psi"'),
    ("fraction", "10", '"10" is not a fraction: it lies beyond 1 - write "10%"'),
    ("fraction", "150%", '"150%" is not a fraction: it lies beyond 1 - 100% is the most'),
    ("fraction", "-10%", '"-10%": a fraction cannot be negative'),
    ("percent", "0.55", '"0.55" would be less than one percent - write "55%" or "0.55%"'),
    ("length", "9e9 ft", '"9e9 ft" cannot be right: more than 100000 m - is the unit the one you mean?'),
    ("flow", True, '"yes" is not a flow - for example "5.2 gpm"'),
    ("number", math.nan, '"nan" is not a number - for example "0.5"'),
    ("number", math.inf, '"inf" is not a number - for example "0.5"'),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "value", "message"), REFUSED)
def test_refusals_say_what_to_write(kind, value, message):
    with pytest.raises(BadQuantity) as caught:
        read(kind, value, display="us")
    assert str(caught.value) == message


def test_examples_follow_the_display():
    with pytest.raises(BadQuantity, match='for example "5 L/h/m"'):
        read("tape flow", "forty", display="metric")


@pytest.mark.parametrize("kind", KINDS)
def test_bare_numbers(kind):
    assert read(kind, 0.5 if kind != "percent" else 50, display="metric") in (0.5, 50)
    if kind in ("length", "depth", "flow", "tape flow", "volume", "pressure", "speed"):
        with pytest.raises(BadQuantity, match="has no unit"):
            read(kind, "0.5", display="us")
        assert read(kind, "0.5", display="us", bare=True) == 0.5
    else:
        assert read(kind, "50" if kind == "percent" else "0.5", display="us") in (0.5, 50)
    with pytest.raises(BadQuantity):
        read(kind, 0.5, display="metric", bare=False)


@pytest.mark.parametrize("kind", KINDS)
def test_the_examples_are_quantities(kind):
    for display in ("us", "metric"):
        assert read(kind, KINDS[kind].example(display), display=display) != 0


@given(st.text(max_size=100), st.sampled_from(sorted(KINDS)), st.sampled_from(["us", "metric"]))
def test_any_text_is_a_finite_value_or_a_complaint(text, kind, display):
    try:
        value = read(kind, text, display=display)
    except BadQuantity as error:
        value, message = 0.0, str(error)
    else:
        message = ""
    assert math.isfinite(value)
    assert abs(value) <= KINDS[kind].largest
    assert "\n" not in message
    assert len(message) < 300


FAMILIES = {
    "length": ["ft", "in", "m", "cm", "mm", "mil", "yd", "'", '"'],
    "pressure": ["psi", "kPa", "bar"],
    "volume": ["gal", "L", "m3", "qt"],
    "flow": ["gpm", "L/min", "L/h", "gal/h", "m3/h"],
    "tape flow": ["gpm/100ft", "L/h/m", "L/min/m"],
    "speed": ["mph", "km/h", "m/s"],
    "duration": ["s", "min", "h"],
}
ONE_OF_A_FAMILY = st.sampled_from([(kind, unit) for kind, members in FAMILIES.items() for unit in members])


@given(ONE_OF_A_FAMILY, st.floats(0.01, 100, allow_subnormal=False))
def test_number_and_unit_round_trip(family, number):
    """Into the house unit, and back by what one unit is worth; a bare house number means the same."""
    kind, unit = family
    inside = read(kind, f"{number!r} {unit}", display="us")
    assert inside / read(kind, f"1 {unit}", display="us") == pytest.approx(number, rel=1e-9, abs=1e-6)
    assert read(kind, inside, display="metric") == inside


SHOWN = [
    (words.show_depth, 10.668, "0.42 in", "10.7 mm"),
    (words.show_depth, 0.0, "0.00 in", "0.0 mm"),
    (words.show_depth, -0.001, "0.00 in", "0.0 mm"),
    (words.show_volume, 454.2494, "120 gal", "454 L"),
    (words.show_volume, 5678.117676, "1,500 gal", "5,678 L"),
    (words.show_volume, 5.0, "1.3 gal", "5.0 L"),
    (words.show_length, 24.384, "80 ft", "24.4 m"),
    (words.show_length, 0.762, "2.5 ft", "0.76 m"),
    (words.show_length, 0.2032, "8 in", "0.2 m"),
    (words.show_length, 649.224, "2,130 ft", "649.2 m"),
    (words.show_flow, 19.57971612, "5.17 gpm", "19.6 L/min"),
    (words.show_pressure, 82.737, "12 psi", "83 kPa"),
    (words.show_temperature, 28.9, "84 F", "29 C"),
    (words.show_temperature, -0.2, "32 F", "0 C"),
    (words.show_area, 222.967, "2,400 sq ft", "223 m2"),
    (words.show_depth, math.nan, "unknown", "unknown"),
    (words.show_length, math.inf, "unknown", "unknown"),
]


@pytest.mark.parametrize(("show", "value", "us", "metric"), SHOWN)
def test_shown_to_people(show, value, us, metric):
    assert (show(value, "us"), show(value, "metric")) == (us, metric)


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(0, "0 min"), (0.005, "0 min"), (0.3, "18 s"), (0.999, "1 min"), (47.5, "48 min"), (59.6, "1 h"),
     (72, "1 h 12 min"), (120, "2 h"), (-3, "-3 min"), (math.nan, "unknown")],
)  # fmt: skip
def test_minutes_shown_to_people(minutes, text):
    assert words.show_minutes(minutes) == text


@given(st.floats(0.3, 3000), st.sampled_from(["us", "metric"]))
def test_what_is_shown_can_be_read_again(value, display):
    for show, kind, slack in (
        (words.show_length, "length", 0.06),
        (words.show_flow, "flow", 0.2),
        (words.show_pressure, "pressure", 0.5),
        (words.show_volume, "volume", 2.0),
        (words.show_depth, "depth", 0.13),
    ):
        assert read(kind, show(value, display), display=display) == pytest.approx(value, abs=slack, rel=1e-3)


def test_showing_costs_no_import():
    code = (
        "import sys; from scheduler.show import show_depth; show_depth(1.0, 'us');"
        "print([m for m in ('numpy', 'pydantic', 'yaml') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_reading_takes_the_standard_library_alone():
    code = (
        "import sys; from scheduler.units import read; read('flow', '5 gpm', display='us');"
        "print(sorted({m.partition('.')[0] for m in sys.modules} - sys.stdlib_module_names - {'__main__'}))"
    )
    root = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True, cwd=root
    )
    assert done.stdout.strip() == "['scheduler']"
