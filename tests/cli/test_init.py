"""`rowwater init`: a garden that reads well as it stands, and nothing overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from cli.conftest import Grower

PLACE = (
    "--latitude", "35.61", "--longitude", "-82.44",
    "--elevation", "2130 ft", "--timezone", "America/New_York",
)  # fmt: skip


def test_the_starter_reads_well_and_fits_its_schema(grower: Grower) -> None:
    said = grower("init", "plot.yaml", "--yes", *PLACE, "--garden", "North bed", "--crop", "lettuce")
    assert said.status == 0, said.err
    assert grower("check", "--config", "plot.yaml", "--offline").status == 0
    text = Path("plot.yaml").read_text()
    assert text.startswith("# yaml-language-server: $schema=garden.schema.json\n")
    schema = json.loads(Path("garden.schema.json").read_text())
    data = yaml.load(text, yaml.BaseLoader)  # an editor sees texts much as the grower typed them
    errors = [e.message for e in jsonschema.Draft202012Validator(schema).iter_errors(data)]
    assert [e for e in errors if "Additional properties" in e] == []
    assert len(text.splitlines()) < 60  # what was answered; every other setting stands in the reference
    reference = Path("garden.reference.yaml").read_text()
    assert "#daily_cap:" in reference
    assert "daily_cap" not in text
    data["suply"] = {}
    assert any("suply" in e.message for e in jsonschema.Draft202012Validator(schema).iter_errors(data))


def test_it_never_overwrites(grower: Grower) -> None:
    before = grower.garden.read_bytes()
    said = grower("init", "--yes")
    assert said.status == 2
    assert "is there already" in said.err
    assert grower.garden.read_bytes() == before


def test_nobody_gets_the_place_of_an_example(grower: Grower) -> None:
    said = grower("init", "plot.yaml", "--yes", *PLACE[:2], *PLACE[6:])
    assert said.status == 2
    assert "a garden needs its place: --longitude, --elevation" in said.err
    assert not Path("plot.yaml").exists()


def test_the_planting_offered_is_todays(grower: Grower) -> None:
    assert grower("init", "plot.yaml", "--yes", *PLACE).status == 0
    said = grower("check", "--config", "plot.yaml", "--offline")
    assert "no crop stands here" not in said.out


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


def test_a_wrong_option_is_named(grower: Grower) -> None:
    said = grower("init", "plot.yaml", "--yes", "--latitude", "-82.44", "--longitude", "35.61", *PLACE[4:])
    assert said.status == 2
    assert "did you mean latitude 35.61, longitude -82.44?" in said.err
    said = grower("init", "plot.yaml", "--yes", "--row-spacing", "12 m")
    assert said.err.startswith("rowwater: --row-spacing: ")
    assert said.err.endswith('did you mean "12 ft"?\n')


def test_each_answer_is_checked_as_it_is_given(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    typed = iter(
        ["North bed", "north", "35.61", "-82.44", "2130 ft", "Mars", "America/New_York", "us",
         "5 gal", "58 s", "82 psi", "12 psi", "0.40 gpm/100ft", "beds", "6", "80 ft", "5 ft",
         "4", "0", "loam", "tomatto", "tomato", "2026-04-20"]
    )  # fmt: skip
    offered = {}

    def answer(text: str, default: str | None) -> str:
        offered[text] = default
        return next(typed)

    monkeypatch.setattr("scheduler.cli.common.asking_is_possible", lambda: True)
    monkeypatch.setattr("click.prompt", answer)
    said = grower("init", "plot.yaml")
    assert said.status == 0, said.err
    for words in (
        '"4" has no unit',
        '"Mars" is not a known time zone',
        'did you mean "82 kPa"',
        'did you mean "tomato"',
    ):
        assert words in said.out
    assert offered["Latitude, degrees (south is negative)"] is None  # asked for, not offered
    assert grower("check", "--config", "plot.yaml", "--offline").status == 0
    assert list(typed) == []
    zone = yaml.safe_load(Path("plot.yaml").read_text())["zones"]["beds"]
    assert zone["tape_depth"] == 0  # on the ground; it needs no unit
