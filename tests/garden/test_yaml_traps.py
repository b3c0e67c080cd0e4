"""What YAML, pydantic and pint do behind a grower's back, and what this program does instead.

The traps were measured on PyYAML 6.0, pydantic 2.14 and pint 0.25 with their default settings.
"""

from __future__ import annotations

import sys
import time as clock
import tracemalloc
from datetime import date, time

import pytest
import yaml
from garden.test_file import MINIMAL, SAMPLE, changed, complaints
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from scheduler.errors import BadGarden
from scheduler.garden import nodes as yaml_nodes
from scheduler.garden import sheet as yaml_sheet
from scheduler.garden.file import load_text
from scheduler.garden.sheet import Sheet
from scheduler.model import Garden

# --- read as a grower means it -------------------------------------------------------------------


@pytest.mark.parametrize("text", ["6:30", "06:30", '"6:30"', "6:30 am", "6:30am", "06:30:00"])
def test_a_bare_clock_time_is_a_clock_time(text):
    assert yaml.safe_load("6:30") == 390  # minutes, to the library
    garden = load_text(changed('"04:00"', text))
    assert garden.supply.hours[0].begin == time(6, 30)


@pytest.mark.parametrize("text", ["10 pm", "10:00 PM", "22:00"])
def test_the_evening(text):
    assert load_text(changed('until: "10:00"', f"until: {text}")).supply.hours[0].until == time(22)


@pytest.mark.parametrize(
    "text", ["6", "6.30", "25:00", "12:60", "24:00", "630", "13 pm", "0 am", "noon", "[6, 30]", ""]
)
def test_what_is_no_time_of_day(text):
    (told,) = complaints(changed('from: "04:00"', f"from: {text}"))
    assert told.startswith("garden.yaml:13: supply.hours.from: ")
    assert '"06:30"' in told


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("yes", True),
        ("on", True),
        ("True", True),
        ("YES", True),
        ('"yes"', True),
        ("no", False),
        ("off", False),
    ],
)
def test_yes_and_no(text, value):
    garden = load_text(changed("timezone: America/New_York", f"timezone: America/New_York, dry: {text}"))
    assert garden.location.dry is value


@pytest.mark.parametrize("text", ["1", "maybe", "y", "[yes]", "{a: b}"])
def test_what_is_neither_yes_nor_no(text):
    (told,) = complaints(changed("timezone: America/New_York", f"timezone: America/New_York, dry: {text}"))
    assert told.startswith("garden.yaml:2: location.dry: ")
    assert "yes or no" in told


def test_a_zone_may_be_called_no():
    """The library reads the keys `no` and `off` as False, and the second one wins."""
    second = MINIMAL[MINIMAL.index("  beans:") :]
    text = (
        MINIMAL.replace("  beans:", "  no:") + second.replace("beans", "off") + second.replace("beans", "17")
    )
    assert [zone.name for zone in load_text(text).zones] == ["no", "off", "17"]


def test_dates_with_and_without_quotes():
    for text in ("2026-04-20", '"2026-04-20"', "2026-4-20"):
        garden = load_text(changed("planted: 2026-04-20", f"planted: {text}"))
        assert garden.zones[0].plantings[0].planted == date(2026, 4, 20)


@pytest.mark.parametrize(
    "text", ["2026-02-30", "2026-13-01", "0026-04-20", "20260420", "2026-04-20T00:00:00Z", "Apr 20"]
)
def test_what_is_no_date(text):
    (told,) = complaints(changed("planted: 2026-04-20", f"planted: {text}"))
    assert told.startswith(f'garden.yaml:28: zones.tomatoes.plantings[1].planted: "{text}" is not a date')


# --- read as typed, and refused ------------------------------------------------------------------

REFUSED = [
    ("count: 6", "count: 010", '"010" is not a whole number: it starts with a zero'),  # 8, to the library
    ("count: 6", "count: 1e3", '"1e3" is not a whole number'),
    ("count: 6", "count: 6.5", '"6.5" is not a whole number'),
    ("count: 6", "count: yes", '"yes" is not a whole number'),
    ("count: 6", "count: .inf", '".inf" is not a whole number'),
    ("count: 6", "count: ", 'has no value - for example "6"'),
    ("count: 6", "count: ~", 'has no value - for example "6"'),
    ("count: 6", "count: null", 'has no value - for example "6"'),
    ("length: 80 ft, spacing: 5", "length: .nan, spacing: 5", '".nan" is not a length'),
    ("length: 80 ft, spacing: 5", "length: nan ft, spacing: 5", '"nan ft" is not a length'),
    ("length: 80 ft, spacing: 5", "length: yes, spacing: 5", '"yes" is not a length'),
    ("length: 80 ft, spacing: 5", "length: 08 ft, spacing: 5", '"08 ft" starts with a zero'),
    ("length: 80 ft, spacing: 5", "length: 1:20, spacing: 5", '"1:20" is not a length'),
    ("length: 80 ft, spacing: 5", "length: [80], spacing: 5", "a list where a length is expected"),
    ("length: 80 ft, spacing: 5", "length: {ft: 80}, spacing: 5", "keys where a length is expected"),
    ("gpio: 17", "gpio: on", '"on" is not a pin number'),  # pin 1, to pydantic's default mode
    ("gpio: 17", "gpio: 017", '"017" is not a pin number: it starts with a zero'),
    ("gpio: 17", "gpio: 1_7", '"1_7" is not a pin number'),
    ("gpio: 17", "gpio: 0x11", '"0x11" is not a pin number'),
    ("exponent: 0.5", "exponent: .nan", '".nan" is not a number'),
    ("exponent: 0.5", "exponent: 1_0", '"1_0" is not a number'),
    ("exponent: 0.5", "exponent: '0.5 x'", "is not a number"),
    (
        "garden: Creekside plot",
        "garden: row #3",
        '"row" ends at "#3", a comment to YAML - put the whole in quotes',
    ),
    ("garden: Creekside plot", "garden:", 'has no value - for example "a name"'),
    ("garden: Creekside plot", "garden: [a]", "a list where a text is expected"),
    ("volume: 5 gal", "volume: 5", '"5" has no unit - for example "5 gal"'),
]


@pytest.mark.parametrize(("old", "new", "message"), REFUSED)
def test_read_as_typed_and_refused(old, new, message):
    (told,) = complaints(changed(old, new))
    assert message in told


@pytest.mark.parametrize("text", ["kc: ", "kc: yes", "kc: .nan", "kc: nan", "kc: on", "kc: 6:30", "kc: 1,15"])
def test_no_crop_coefficient_by_accident(text):
    (told,) = complaints(SAMPLE, f"tomato:\n  stages:\n    - stage: initial\n      {text}\n")
    assert told.startswith("crops.yaml:4: tomato.stages[1].kc: ")


def test_an_empty_optional_block_is_no_block():
    text = changed("feed: end}", "feed: end}\n  bucket_note:", SAMPLE).replace("  bucket_note:\n", "")
    text = text.replace("  mainline: {inside_diameter: 0.70 in, length: 100 ft, feed: end}", "  mainline:")
    assert load_text(text).supply.mainline is None
    assert load_text(MINIMAL + "    plantings:\n    valve:\nweather:\n  sources:\n").zones[0].plantings == ()


def test_a_required_block_may_not_be_empty():
    told = complaints(
        changed("location: {latitude: 35.61, longitude: -82.44, elevation: 2130 ft, ", "location:\nx: {")
    )
    assert told[0] == (
        "garden.yaml:2: location: nothing where keys are expected"
        " (latitude, longitude, elevation, timezone, dry, coastal, ...)"
    )


def test_commas_inside_braces():
    (one, _) = complaints(
        changed("daily_cap: 1500 gal", "mainline2: x").replace("volume: 5 gal", "volume: 1,500 gal")
    )[:2]
    assert one.startswith("garden.yaml:10: supply.bucket.volume: ")
    told = complaints(changed("flow: 0.40 gpm/100ft", "flow: 0,40 gpm/100ft"))
    assert told == (
        'garden.yaml:18: tapes.thin.flow: "0" has no unit - for example "0.40 gpm/100ft"',
        "garden.yaml:18: tapes.thin.40 gpm/100ft: a comma inside {...} ends the value before it"
        " - put a number like 1,500 in quotes",
    )


def test_a_thousands_comma_outside_braces():
    assert load_text(changed("1500 gal", "1,500 gal")).supply == load_text(SAMPLE).supply


def test_pints_own_table_is_not_used():
    """Its `mil` is an angle, its `80 feet 6 in` a product; ours are a length, and a sum."""
    assert load_text(changed("wall: 8 mil", "wall: 8 mil")).tapes["thin"].wall_m == pytest.approx(8 * 2.54e-5)
    rows = (
        load_text(changed("length: 80 ft, spacing: 5 ft, tapes", "length: 80' 6\", spacing: 5 ft, tapes"))
        .zones[0]
        .rows
    )
    assert rows.length_m == pytest.approx(80.5 * 0.3048)


def test_duplicate_keys_are_told_with_both_lines():
    text = changed("  keep_back: 10%", "  keep_back: 10%\n  pressure: 8 psi")
    assert complaints(text) == ("garden.yaml:13: supply.pressure: is given twice, on line 12 and on line 13",)
    text = changed("    tape: thin\n", "    tape: thin\n  tomatoes:\n    tape: thin\n")
    assert "garden.yaml:24: zones.tomatoes: is given twice, on line 21 and on line 24" in complaints(text)
    text = changed("{gpio: 17}", "{gpio: 17, gpio: 18}")
    assert complaints(text) == (
        "garden.yaml:30: zones.tomatoes.valve.gpio: is given twice, on line 30 and on line 30",
    )


def test_anchors_and_aliases_are_fine():
    text = changed("rows: {count: 6,", "rows: &six {count: 6,").replace(
        "rows: {count: 9, length: 80 ft, spacing: 2.5 ft}", "rows: *six"
    )
    first, second = load_text(text).zones[0].plantings
    assert first.rows == second.rows


# --- no YAML, or not ours ------------------------------------------------------------------------

BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{new}: &{new} [{', '.join([f'*{old}'] * 9)}]\n" for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)
LIMIT_S = 2 if sys.gettrace() is None else 20  # a coverage run traces every line
BROKEN = [
    ("", "1: the file is empty"),
    ("# only a comment\n", "1: the file is empty"),
    ("\n---\n...\n", "1: the file is empty"),
    ("~", "1: nothing where keys are expected"),
    ("hello", '1: "hello" where keys are expected'),
    ("- garden: x\n", "1: a list where keys are expected"),
    (SAMPLE.replace("  bucket:", "\tbucket:"), "10: a tab - YAML wants spaces in front of a line"),
    (SAMPLE.replace("    tape: thin\n", "    tape: 'thin\n"), "23: a quote opens here and is never closed"),
    (SAMPLE.replace("crop_cycles: 2}", "crop_cycles: 2"),
     "18: a bracket opens here and is not closed as it should be"),
    (SAMPLE.replace("    tape: thin\n", "   tape: thin\n"), "23: this line does not fit the ones above it"),
    (SAMPLE.replace("display: us", "display us"), '4: a line without a ":" after its key'),
    (SAMPLE.replace("garden: Creekside plot", "garden: Creek: side"), '1: a second ":" or a wrong indent'),
    (SAMPLE.replace("garden: Creekside plot", "garden: %x"),
     '1: "%" cannot start a value - put the text in quotes'),
    (SAMPLE.replace("garden: Creekside plot", 'garden: "C:\\q"'), "1: a backslash inside double quotes"),
    (SAMPLE + "---\ngarden: b\n", '31: a second document after "---" - one file holds one garden'),
    (SAMPLE + "<<: {finish: early}\n", '31: "<<" (merging) is not understood - write the keys out'),
    (SAMPLE.replace("display: us", "display: !!str us"), "3: the tag"),
    (SAMPLE.replace("display: us", "display: *us"), '3: "*us" stands for nothing: no "&us" before it'),
    ("garden: &a [*a]", '1: "*a" stands inside what it stands for'),
    ("? [a, b]\n: c\n", "1: a key must be one plain text"),
    ("garden: a\x07b", "1: a character that cannot be printed (U+0007)"),
    ("garden: x\ny: \ud800", "2: a character that cannot be printed (U+D800)"),
    ('garden: "\\0"', "1: an escape for a character that cannot be printed"),
    (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "1: not a text file"),
    (SAMPLE.encode("utf-16"), "1: saved as UTF-16 - save the file as UTF-8"),
    (SAMPLE.encode("utf-16-le"), "1: saved as UTF-16 - save the file as UTF-8"),
    (SAMPLE.replace("thin\n", "dünn\n").encode("latin-1"), "23: a letter that is not UTF-8 (Latin-1?)"),
    ("%YAML 9.0\n---\ngarden: x\n", "1: not valid YAML"),
    ("[" * 60 + "x", "1: nested more than 50 levels deep"),
    ("[" * 100_000, "1: "),
    ("{a: " * 100_000, "1: nested more than 50 levels deep"),
    ("\n".join(" " * i + "a:" for i in range(1000)), "51: nested more than 50 levels deep"),
    (BOMB, "6: more than 100,000 values, every alias written out"),
    ("a: 1\n" * 190_000, "15000: more than 30,000 values"),
    ("x" * 10_000_000, "1: larger than 1 MB - not a garden's file"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), BROKEN, ids=range(len(BROKEN)))
def test_what_is_no_garden_is_told_in_time(text, message):
    started = clock.process_time()
    (told,) = complaints(text)
    assert clock.process_time() - started < LIMIT_S
    assert told.startswith(f"garden.yaml:{message}")
    assert len(told) < 300


def test_the_limits_hold_memory():
    load_text(SAMPLE)  # imports and caches
    tracemalloc.start()
    try:
        for text in ("[" * 999_999, "{a: " * 200_000, BOMB, "garden: " + "x" * 900_000):
            complaints(text)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


def test_the_nesting_limit_is_beyond_what_a_garden_needs():
    text = "a: " + "[" * 49 + "]" * 49
    assert not Sheet(text, "x").broken
    assert Sheet("a: " + "[" * 50 + "]" * 50, "x").broken


def test_a_byte_order_mark_is_no_matter():
    assert load_text(b"\xef\xbb\xbf" + SAMPLE.encode()) == load_text("\ufeff" + SAMPLE) == load_text(SAMPLE)


def test_line_ends_of_other_systems():
    assert load_text(SAMPLE.replace("\n", "\r\n")) == load_text(SAMPLE)
    told = complaints(changed("count: 6", "count: 0").replace("\n", "\r\n").encode())
    assert told[0].startswith("garden.yaml:22: ")


def test_a_flood_of_mistakes_is_cut_short_and_quick():
    zone = "  z{}: {{tap: thin, soil: lome, rows: 3}}\n"
    started = clock.process_time()
    told = complaints(MINIMAL + "".join(zone.format(i) for i in range(3000)))
    assert clock.process_time() - started < LIMIT_S
    assert len(told) == yaml_sheet.MOST_COMPLAINTS + 1
    assert told[-1] == "garden.yaml: and more"


def test_the_parser_without_its_c_library_says_the_same(monkeypatch):
    monkeypatch.setattr(yaml_nodes, "_LOADER", yaml.BaseLoader)
    assert load_text(SAMPLE).zones[0].valve.driver == "gpio"
    for text, message in BROKEN:
        if len(text) < 2000:
            (told,) = complaints(text)
            assert told.split(":")[:2] == f"garden.yaml:{message}".split(":")[:2], message


# --- whatever is typed ---------------------------------------------------------------------------


UNHURRIED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


def garden_or_complaints(text: str | bytes, crops: str | bytes | None = None) -> None:
    try:
        garden = load_text(text, crops)
    except BadGarden as error:
        garden, told = None, error.complaints
    else:
        told = ()
    assert bool(told) != isinstance(garden, Garden)
    assert all(line.startswith(("garden.yaml:", "crops.yaml:")) for line in told)
    assert "\n" not in "".join(told)


@UNHURRIED
@given(st.text(max_size=400))
@example("a: \u2028b")
@example("\x85")
@example("? ")
def test_any_text_is_a_garden_or_complaints(text):
    garden_or_complaints(text)
    garden_or_complaints(SAMPLE, text)


@UNHURRIED
@given(st.binary(max_size=400))
def test_any_bytes_are_a_garden_or_complaints(data):
    garden_or_complaints(data)
    garden_or_complaints(SAMPLE, data)


FULL = [
    *SAMPLE.splitlines(),
    "plan_at: 3:30",
    "meter: {gpio: 27, liters_per_pulse: 0.5}",
    "master_valve: {gpio: 22}",
]
JUNK_WORDS = (
    "", "~", "[]", "{}", "[a, b]", "{a: b}", "yes", "010", "1e999", ".nan", "-1", "1e-300 ft", "80 ft", "0",
    "6:30", "2026-02-30", "9999-12-31", "1900-01-01", "'", '"', "*a", "&a x", "!!int 3", "|", "- 1", "999",
)  # fmt: skip
JUNK = st.one_of(st.text(max_size=12), st.sampled_from(JUNK_WORDS))


@UNHURRIED
@given(st.lists(st.tuples(st.integers(0, len(FULL) - 1), st.integers(0, 3), JUNK), min_size=1, max_size=3))
def test_a_garden_with_junk_in_it_is_a_garden_or_complaints(cuts):
    lines = list(FULL)
    for at, how, junk in cuts:
        key, colon, value = lines[at].partition(":")
        lines[at] = [f"{key}{colon} {junk}", f"{key}{junk}{colon}{value}", f"{lines[at]}{junk}", ""][how]
    garden_or_complaints("\n".join(lines))


KEYS = (
    "garden", "location", "supply", "zones", "tapes", "rows", "plantings", "crop", "planted", "valve", "gpio",
    "bucket", "volume", "time", "hours", "from", "soil", "weather", "sources", "file", "mqtt", "columns",
    "stages", "stage", "kc", "tomato", "root_depth", "also", "x",
)  # fmt: skip
LEAVES = st.one_of(
    JUNK.map(lambda text: text.replace("\n", " ")),
    st.sampled_from(["thin", "tomato", "sandy loam", "5 gal", "12 psi"]),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(KEYS), inner, max_size=4)
    ),
    max_leaves=12,
)


@UNHURRIED
@given(VALUES, VALUES)
def test_any_structure_is_a_garden_or_complaints(garden, crops):
    garden_or_complaints(yaml.safe_dump(garden), yaml.safe_dump(crops))
    text = SAMPLE
    for key, value in garden.items() if isinstance(garden, dict) else ():
        if f"\n{key}:" in text:  # the block of that name gives way to what was made up
            head, _, rest = text.partition(f"\n{key}:")
            tail = [line for line in rest.splitlines()[1:] if line]
            while tail and tail[0].startswith(" "):
                tail.pop(0)
            text = f"{head}\n{yaml.safe_dump({key: value})}" + "\n".join(tail) + "\n"
    garden_or_complaints(text, yaml.safe_dump(crops))
