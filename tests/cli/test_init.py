"""`rowwater init`: a garden that reads well as it stands, and nothing overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from cli.conftest import Grower


def test_the_starter_reads_well_and_fits_its_schema(grower: Grower) -> None:
    said = grower("init", "plot.yaml", "--yes", "--garden", "North bed", "--crop", "lettuce")
    assert said.status == 0, said.err
    assert grower("check", "--config", "plot.yaml").status == 0
    text = Path("plot.yaml").read_text()
    assert text.startswith("# yaml-language-server: $schema=garden.schema.json\n")
    schema = json.loads(Path("garden.schema.json").read_text())
    data = yaml.load(text, yaml.BaseLoader)  # an editor sees texts much as the grower typed them
    errors = [e.message for e in jsonschema.Draft202012Validator(schema).iter_errors(data)]
    assert [e for e in errors if "Additional properties" in e] == []
    data["suply"] = {}
    assert any("suply" in e.message for e in jsonschema.Draft202012Validator(schema).iter_errors(data))


def test_it_never_overwrites(grower: Grower) -> None:
    before = grower.garden.read_bytes()
    said = grower("init", "--yes")
    assert said.status == 2
    assert "is there already" in said.err
    assert grower.garden.read_bytes() == before


def test_it_does_not_ask_without_a_terminal(grower: Grower) -> None:
    said = grower("init", "plot.yaml")
    assert said.status == 2
    assert "no terminal" in said.err
    assert not Path("plot.yaml").exists()


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--latitude", "95", "latitude"),
        ("--crop", "tomatto", 'did you mean "tomato"'),
        ("--timezone", "Mars", "Mars"),
    ],
)
def test_a_wrong_answer_writes_nothing(grower: Grower, option: str, value: str, words: str) -> None:
    said = grower("init", "plot.yaml", "--yes", option, value)
    assert said.status == 2
    assert words in said.err
    assert not Path("plot.yaml").exists()
