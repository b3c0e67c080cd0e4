"""Words of others (a CSV cell, a relay's status line, a name with hidden letters) never steer a terminal."""

from __future__ import annotations

import pytest
from cli.conftest import Clock, Grower

from scheduler.errors import CouldNot, printable

HOSTILE = {
    "ESC": "\x1b[2J", "BEL": "\x07", "CR": "\r", "NEL": "\x85", "RLO": "\u202e", "ZWSP": "\u200b",
    "LS": "\u2028", "BOM": "\ufeff", "CSI": "\x9b2J", "DEL": "\x7f",
}  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_an_error_says_what_others_said_and_obeys_nothing(text: str) -> None:
    error = CouldNot(f"the relay says {text}404", hint=f"see {text}")
    for said in (error.text, str(error), error.hint or ""):
        assert text not in said
        assert said.isprintable()


def test_plain_words_stay_as_they_are() -> None:
    for text in ("Gr\u00fcne Bohnen \u00b0 \u00b1 3\u00a0gal", "line 1\nline 2", "\u8c46", "\U0001f345"):
        assert printable(text) == text


def test_a_csv_cell_reaches_no_terminal_raw(grower: Grower) -> None:
    grower.edit_weather("2015-06-30", tmax_c="\x1b[2J\x07high")
    for words in (("day", "--date", "2015-07-01"), ("season", "--weather", "weather.csv"), ("check",)):
        said = grower(*words)
        assert not any(character in said.out + said.err for character in "\x1b\x07"), words


@pytest.mark.parametrize(
    "name", [r'"a\rb"', r'"a\Nb"', r'"a\u202Eb"', r'"a\u200Bb"', r'"a\nb"', r'"a\u2028b"', r'"a\tb"']
)
def test_a_name_is_one_line_that_can_be_seen(grower: Grower, clock: Clock, name: str) -> None:
    clock("2015-07-01T06:00")
    text = grower.garden.read_text()
    for old in ("garden: Creekside plot", "  lettuce:"):
        key, _, _ = old.partition(":")
        new = f"garden: {name}" if key == "garden" else f"  {name}:"
        grower.garden.write_text(text.replace(old, new, 1))
        said = grower("check", "--offline")
        assert (said.status, said.out) == (2, ""), old
        assert "cannot be seen" in said.err or "must stand in one line" in said.err
