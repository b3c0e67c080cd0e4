"""Values that no garden has are told with their line; a pipe in place of a file is refused at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from cli.conftest import Grower

HTTP = 'valve: {http: {open: {url: "%s"}, close: {url: "http://h/"}}}'
SLIPS = (
    ("valve: {gpio: 99}", "99"),
    (HTTP % "http://h:-1/", "web address"),
    (HTTP % "http:///x", "web address"),
    (HTTP % "http://h:99999/", "web address"),
    ("pulse_rest: 99999 min", "at most 1440"),
)


@pytest.mark.parametrize(("new", "words"), SLIPS)
def test_it_is_told_with_its_line(grower: Grower, new: str, words: str) -> None:
    text = grower.garden.read_text()
    for group in ("", "  not_together: [[beans, lettuce]]\n"):
        spoilt = text.replace("  lettuce:\n", f"  lettuce:\n    {new}\n", 1)
        grower.garden.write_text(spoilt.replace("supply:\n", f"supply:\n{group}", 1))
        said = grower("check", "--offline")
        assert (said.status, said.out) == (2, ""), said
        assert words in said.err
        assert "garden.yaml:" in said.err


def test_a_pipe_of_no_width_is_no_tape(grower: Grower) -> None:
    text = grower.garden.read_text()
    assert "inside_diameter: 0.636 in" in text
    grower.garden.write_text(text.replace("inside_diameter: 0.636 in", "inside_diameter: 1e-7 in"))
    said = grower("check", "--offline")
    assert said.status == 2
    assert "inside_diameter" in said.err


@pytest.mark.parametrize("name", ["crops.yaml", "garden.yaml", "weather.csv", "season"])
def test_a_named_pipe_is_refused_at_once(grower: Grower, name: str) -> None:
    path = grower.folder / ("weather.csv" if name == "season" else name)
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    command = (
        ("season", "--weather", "weather.csv") if name == "season" else ("check", "--date", "2015-07-01")
    )
    said = grower(*command)
    assert said.status in (1, 2, 3), said
    assert ("a pipe or a device" if name == "garden.yaml" else "cannot be read") in said.err + said.out
    assert Path(path).is_fifo()
