"""Corners of the YAML door that no ordinary mistake reaches."""

from __future__ import annotations

import pytest
import yaml
from garden.test_file import MINIMAL, changed, complaints

from scheduler.garden import nodes as yaml_nodes
from scheduler.garden.block import Block
from scheduler.garden.sheet import MOST_COMPLAINTS, Sheet

ZONE = MINIMAL[MINIMAL.index("  beans:") :]


def test_zones_are_not_checked_further_in_a_flood():
    zones = "".join(ZONE.replace("beans", f"z{i}").replace("tape: thin", "tape: thinn") for i in range(300))
    told = complaints(MINIMAL + zones)
    assert len(told) == MOST_COMPLAINTS + 1
    assert told[0] == 'garden.yaml:13: zones.z0.tape: "thinn" is not one of the tapes - did you mean "thin"?'
    assert told[-1] == "garden.yaml: and more"


def test_plantings_are_not_checked_further_in_a_flood():
    text = changed("    rows: {count: 4, length: 20, spacing: 1}\n", "", MINIMAL) + "    plantings:\n"
    text += "".join(
        f"      - {{crop: bush bean, planted: {1900 + i}-05-01}}\n" for i in range(MOST_COMPLAINTS + 50)
    )
    told = complaints(text)
    assert len(told) == MOST_COMPLAINTS + 1
    assert told[0].startswith("garden.yaml:11: zones.beans.plantings[1].rows: missing count, length, spacing")


def test_crops_are_not_checked_further_in_a_flood():
    crops = "".join(f"crop{i}: {{depletion: 0.4}}\n" for i in range(MOST_COMPLAINTS + 50))
    told = complaints(MINIMAL, crops)
    assert len(told) == MOST_COMPLAINTS + 1
    assert told[-1] == "crops.yaml: and more"


def test_an_unreadable_crops_file_says_enough():
    """Whether the crop is in it nobody knows: no second complaint."""
    text = MINIMAL + "    plantings: [{crop: skirret, planted: 2026-05-01}]\n"
    assert complaints(text, "skirret: {") == (
        "crops.yaml:1: a bracket opens here and is not closed as it should be, or a quote is not (line 2)",
    )


def test_keys_where_a_list_is_expected():
    text = MINIMAL + "    plantings: {crop: bush bean, planted: 2026-05-01}\n"
    assert complaints(text) == (
        'garden.yaml:11: zones.beans.plantings: keys where a list is expected, each line with a "-" in front',
    )


def test_a_very_long_key_gets_no_guess():
    (told,) = complaints(changed("{flow: 20}", "{flow: 20, " + "keep_back" * 6 + ": 1}", MINIMAL))
    assert "unknown key - known here: bucket, flow" in told


@pytest.mark.parametrize("escape", ["\\UFFFFFFFF", "\\U00110000"])
def test_a_character_beyond_all_characters(escape: str, monkeypatch: pytest.MonkeyPatch):
    text = changed("garden: Small plot", f'garden: "{escape}"', MINIMAL)
    (told,) = complaints(text)
    assert told.startswith("garden.yaml:1: ")
    monkeypatch.setattr(yaml_nodes, "_LOADER", yaml.BaseLoader)  # where the C library is missing
    assert complaints(text) == ("garden.yaml:1: not valid YAML",)


# --- a sheet under a model of its own ---


class Plain(Block):
    count: int
    names: dict[str, int] = {}


def test_a_missing_key_that_nothing_stands_in_for_ends_the_check():
    sheet = Sheet("names: {}\n", "own.yaml")
    assert sheet.check(Plain, {}) is None
    assert sheet.complaints == ['own.yaml:1: count: missing - for example "count: ..."']


def test_what_the_library_says_for_want_of_better_words():
    sheet = Sheet("count: six\n", "own.yaml")
    sheet.check(Plain, {})
    assert sheet.complaints == ["own.yaml:1: count: Input should be a valid integer"]


def test_keys_of_no_block():
    sheet = Sheet("count: 6\nnames: [a]\n", "own.yaml")
    sheet.check(Plain, {})
    assert sheet.complaints[-1] == "own.yaml:2: names: a list where keys are expected"


def test_where_nothing_stands_is_told_by_what_holds_it():
    sheet = Sheet("a:\n  b: text\n  c: [x]\n", "own.yaml")
    assert sheet.line(("a", "b", "deeper", "still")) == 2
    assert sheet.line(("a", "c", "no place in a list")) == 3
    assert sheet.keys_at(("a", "b", "deeper")) == {}
    assert sheet.filled(("a",)) == {"b", "c"}
