"""The known word that a mistyped one was meant to be."""

from __future__ import annotations

import string
from difflib import SequenceMatcher

from hypothesis import given
from hypothesis import strategies as st

from scheduler.nearest import did_you_mean, nearest

WORDS = st.text(string.ascii_letters, min_size=1, max_size=8)


def test_case_is_no_matter_and_the_word_comes_as_it_is_known():
    assert nearest("TOMATOS", ["beans", "Tomatoes"]) == "Tomatoes"


def test_of_two_that_differ_by_case_the_first():
    assert nearest("bean", ["Beans", "beans"]) == "Beans"


def test_how_alike_they_must_be():
    assert nearest("rain", ["train"], cutoff=0.88) == "train"  # 2 x 4 of 9 letters
    assert nearest("rain", ["train"], cutoff=0.9) is None


def test_nobody_mistypes_a_whole_paragraph():
    assert nearest("x" * 80, ["x" * 79]) == "x" * 79
    assert nearest("x" * 81, ["x" * 80]) is None


def test_a_question_or_what_is_said_otherwise():
    assert did_you_mean("beens", ["beans"], "zones: beans") == 'did you mean "beans"?'
    assert did_you_mean("okra", ["beans"], "zones: beans") == "zones: beans"


@given(WORDS, st.lists(WORDS, max_size=6))
def test_no_known_word_is_more_alike(word, known):
    """By the ratio of the standard library's SequenceMatcher, which is the outside judge here."""

    def alike(other: str) -> float:
        return SequenceMatcher(None, other.casefold(), word.casefold()).ratio()

    best = max(map(alike, known), default=0.0)
    found = nearest(word, known)
    assert (found is None) == (best < 0.6)
    assert found is None or alike(found) == best
