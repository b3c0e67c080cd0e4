"""Starter garden.yaml and JSON Schemas: made from the models that check a garden, so all of them agree."""

from __future__ import annotations

import re
from typing import Any

import pytest
import yaml
from garden.test_file import FULL_ZONE, MISTAKES, NEW_CROP, SAMPLE, SERVICE, changed
from jsonschema import Draft202012Validator

from scheduler import tables
from scheduler.errors import BadGarden
from scheduler.garden.file import load_text
from scheduler.garden.schema import crops_schema, schema, settings
from scheduler.garden.starter import Answers, starter_text


class AsEditorsRead(yaml.SafeLoader):
    """YAML 1.2, as editors read it: no dates, no clock times, no yes and no."""


AsEditorsRead.yaml_implicit_resolvers = {
    char: [(tag, pattern) for tag, pattern in found if not tag.endswith((":timestamp", ":bool"))]
    for char, found in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
AsEditorsRead.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("true|false"), list("tf"))


def faults(text: str, of: dict[str, Any]) -> list[str]:
    read = yaml.load(text, Loader=AsEditorsRead)
    return [error.message for error in Draft202012Validator(of).iter_errors(read)]


def switched_off(text: str) -> list[int]:
    """Lines where a setting stands that is switched off and has no such line right around it."""
    lines = text.splitlines()
    return [i for i, line in enumerate(lines) if re.match(r" *#(?:- )?[a-z_0-9]+:", line)]


def switched_on(text: str, at: int) -> str:
    """`text` with the setting at line `at`, and what is below it, switched on."""
    lines = text.splitlines()
    mark = lines[at].index("#")
    end = at + 1
    while end < len(lines) and re.match(rf" {{{mark}}}#  ", lines[end]):
        end += 1
    lines[at:end] = [line[:mark] + line[mark + 1 :] for line in lines[at:end]]
    return "\n".join(lines) + "\n"


# --- the starter ---------------------------------------------------------------------------------


def test_the_starter_loads_as_it_stands():
    garden = load_text(starter_text())
    assert starter_text().startswith("# yaml-language-server: $schema=garden.schema.json\n")
    assert (garden.name, garden.zones[0].valve.driver, garden.notices) == ("Creekside plot", "by_hand", ())
    assert garden.supply.flow_lpm == load_text(SAMPLE).supply.flow_lpm


def test_the_starter_names_and_explains_every_setting():
    text = starter_text()
    named = set(re.findall(r"([a-z][a-z_0-9 -]*):", text))
    prose = re.sub(r"\n *[# ]+", " ", text)
    for setting in settings():
        assert setting.help.endswith(".")
        if not setting.path.startswith("zones.NAME.soil."):  # the starter's own soil is a texture, in short
            assert setting.path.rsplit(".", 1)[-1] in named, setting.path
            assert setting.help in prose, setting.path
    assert {"theta_fc", "theta_wp"} <= named


# Alternatives: with the one that the starter uses, only one of them can hold.
ALTERNATIVES = {
    "flow": "supply: bucket and flow", "gpio": "zones.tomatoes.valve: gpio and by_hand",
    "command": "zones.tomatoes.valve: command and by_hand", "http": "zones.tomatoes.valve: http and by_hand",
    "mqtt": "zones.tomatoes.valve: mqtt and by_hand",
    "tunnel": "zones.tomatoes.plantings[1].shelter: tunnel and row cover",
    "shade": "zones.tomatoes.plantings[1].shelter: row cover and shade",
}  # fmt: skip


@pytest.mark.parametrize("at", switched_off(starter_text()))
def test_each_setting_can_be_switched_on_by_itself(at):
    text = starter_text()
    key = text.splitlines()[at].strip("#- ").split(":")[0]
    after = switched_on(text, at)
    assert after != text
    if key in ALTERNATIVES and "#- " not in text.splitlines()[at]:  # another item of a list is no rival
        with pytest.raises(BadGarden, match=f": {ALTERNATIVES[key]} are given - only one of them can hold$"):
            load_text(after)
        assert faults(after, schema()) != []
    else:
        assert load_text(after).zones
        assert faults(after, schema()) == []


@pytest.mark.parametrize("level", [1, 2, 3])
def test_all_settings_of_a_block_can_be_switched_on(level):
    """The `#` of the first levels taken away everywhere, but for the alternatives."""
    text = starter_text()
    for _ in range(level):
        lines = text.splitlines()
        keep = {
            i for i in switched_off(text) if lines[i].strip("#- ").split(":")[0] in {*ALTERNATIVES, "by_hand"}
        }
        for i in sorted(set(switched_off(text)) - keep, reverse=True):
            if text.splitlines()[i].lstrip().startswith("#"):
                text = switched_on(text, i)
        text = "\n".join(text.splitlines()) + "\n"
    garden = load_text(text)
    assert garden.supply.mainline is not None
    assert garden.zones[0].plantings[0].settle is not None
    assert faults(text, schema()) == []
    if level == 3:
        assert garden.supply.mainline.takeoff_loss == 0.9


def test_answers_are_put_in_as_they_were_typed():
    answers = Answers(
        garden='Tom\'s "other" plot: #3', display="metric", elevation="20", bucket_volume="20", pressure=None,
        hours_from=None, hours_until=None, tape="15 mm", tape_flow="5 L/h/m", zone="no", row_count="4",
        row_length="20", row_spacing="0.75", soil="Loam", crop="Tomatoes", planted="2026-05-01", gpio="17",
        timezone="Europe/Berlin", latitude="52.5", longitude="13.4",
    )  # fmt: skip
    garden = load_text(starter_text(answers))
    zone = garden.zones[0]
    assert (garden.name, zone.name, zone.tape.name) == ('Tom\'s "other" plot: #3', "no", "15 mm")
    assert (garden.location.elevation_m, zone.rows.spacing_m, zone.valve.driver) == (20, 0.75, "gpio")
    assert (garden.supply.pressure_kpa, garden.supply.hours_given) == (None, False)


@pytest.mark.parametrize(
    "name", ["", "- x", "a: b", "#", "'", '"', "é", "yes", "2026-01-01", "~", "x\\y", "[a]", "*a", "&a"]
)
def test_names_that_yaml_would_misread(name):
    text = starter_text(Answers(garden=name))
    if name:
        assert load_text(text).name == name
    else:
        with pytest.raises(BadGarden, match="garden.yaml:11: garden: "):
            load_text(text)


# --- the schemas ---------------------------------------------------------------------------------


def test_the_schemas_are_schemas():
    for made in (schema(), crops_schema()):
        Draft202012Validator.check_schema(made)
        assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize(
    "text", [SAMPLE, starter_text(), FULL_ZONE.replace("active_high: off", "active_high: false")]
)
def test_good_gardens_fit_the_schema(text):
    load_text(text)
    assert faults(text, schema()) == []


def test_the_service_fits_the_schema():
    assert faults(FULL_ZONE + SERVICE, schema()) == []


def test_crops_fit_the_schema():
    assert faults(NEW_CROP, crops_schema()) == []
    assert [*Draft202012Validator(crops_schema()).iter_errors(tables.crops())] == []


IN_THE_SCHEMA = ("unknown key", "is not one of: ", "missing - for example")


@pytest.mark.parametrize(
    ("old", "new"),
    [(old, new) for old, new, *told in MISTAKES if any(words in told[-1] for words in IN_THE_SCHEMA)],
)
def test_misspelt_and_missing_keys_and_words_do_not(old, new):
    assert faults(changed(old, new), schema()) != []


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("tomato: {depletoin: 0.4}", "'depletoin' was unexpected"),
        ("tomato: {stages: [{stage: bloom}]}", "'bloom'"),
    ],
)
def test_misspelt_crops_do_not(text, fault):
    assert fault in faults(text, crops_schema())[0]


def test_every_setting_has_its_help_in_the_schema():
    def walk(node: Any) -> list[str]:
        if isinstance(node, list):
            return [found for item in node for found in walk(item)]
        if not isinstance(node, dict):
            return []
        own = [key for key, value in node.get("properties", {}).items()
               if not (value.get("description") and value.get("examples"))]  # fmt: skip
        return own + [found for value in node.values() for found in walk(value)]

    assert walk(schema()) == walk(crops_schema()) == []


def test_the_examples_in_the_schema_fit_it():
    for made in (schema(), crops_schema()):
        for block in made["$defs"].values():
            properties = block.get("properties") or block["anyOf"][0]["properties"]
            for key, value in properties.items():
                checked = Draft202012Validator({**value, "$defs": made["$defs"]})
                for example in value["examples"]:
                    whole = [error for error in checked.iter_errors(example) if error.validator != "required"]
                    assert whole == [], (key, example)


def test_the_table_of_settings():
    table = {setting.path: setting for setting in settings()}
    assert table["tapes.NAME.flow"].required
    assert table["tapes.NAME.flow"].example == "0.40 gpm/100ft"
    assert table["zones.NAME.plantings[].settle.every"].example == "2 days"
    assert not table["supply.mainline"].required
    assert len(table) == len(list(settings()))
