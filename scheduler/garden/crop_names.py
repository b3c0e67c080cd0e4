"""Which crop a word means: other spellings, plurals, turned words; neighbours of what nobody knows."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

_MOST_NEIGHBOURS = 3
_CLEARLY = 0.8
"""A word this like another is a slip of the keyboard, not a new crop."""
_PLURALS = (("ies", "y"), ("oes", "o"), ("ves", "f"), ("es", ""), ("s", ""))


def plain(name: str) -> str:
    """A name as names are compared: case, spaces, hyphens and apostrophes are no matter.

    >>> plain(" Black-Eyed  Pea")
    'black eyed pea'
    """
    text = name.casefold().replace("-", " ").replace("_", " ").replace("'", "").replace("\u2019", "")
    return " ".join(text.split())


def found_in(known: Mapping[str, str], word: str) -> str | None:
    """The crop that a word means; `known` is plain name -> crop.

    >>> found_in({"bush bean": "bush bean", "chard": "swiss chard"}, "Beans, bush")
    'bush bean'
    """
    return next((known[form] for form in _forms(plain(word)) if form in known), None)


def search(known: Mapping[str, str], word: str) -> list[str]:
    """The crops that a word finds: the one that it means, else all whose names share a word with it.

    >>> search({"summer squash": "summer squash", "winter squash": "winter squash"}, "squash")
    ['summer squash', 'winter squash']
    """
    if found := found_in(known, word):
        return [found]
    alike = _alike(known, word)
    shared = [
        known[name] for name in (alike[:1] if alike and is_a_slip(word, alike[0]) else _sharing(known, word))
    ]
    return list(dict.fromkeys(shared))


def neighbours(known: Mapping[str, str], word: str) -> list[str]:
    """Crops that an unknown word may be meant to be: those that share a word with it, else the most alike.

    >>> neighbours({"summer squash": "summer squash", "winter squash": "winter squash"}, "squash")
    ['summer squash', 'winter squash']
    """
    alike = _alike(known, word)
    if alike and is_a_slip(word, alike[0]):
        return alike[:1]
    own_names_first = sorted(_sharing(known, word), key=lambda name: known[name] != name)
    by_crop: dict[str, str] = {}
    for name in [*own_names_first, *alike]:
        by_crop.setdefault(known[name], name)
    return list(by_crop.values())[:_MOST_NEIGHBOURS]


def is_a_slip(word: str, other: str) -> bool:
    """Whether a word is another one with a letter or two wrong."""
    from difflib import SequenceMatcher

    return SequenceMatcher(None, plain(word), plain(other)).ratio() >= _CLEARLY


def _sharing(known: Mapping[str, str], word: str) -> list[str]:
    text, words = plain(word), _singulars(plain(word))
    return [name for name in known if _singulars(name) & words or (len(name) > 3 and text.endswith(name))]


def _alike(known: Mapping[str, str], word: str) -> list[str]:
    from difflib import get_close_matches  # only where something is wrong

    return get_close_matches(plain(word)[:80], known, n=_MOST_NEIGHBOURS)


def _forms(name: str) -> Iterator[str]:
    """The name itself, without its plural, and with what stands behind a comma in front."""
    yield name
    yield from _singular_forms(name)
    if "," in name:
        front, _, behind = name.partition(",")
        for form in (front, *_singular_forms(front)):
            yield f"{behind.strip()} {form}"


def _singular_forms(name: str) -> Iterator[str]:
    for ending, instead in _PLURALS:
        if name.endswith(ending) and len(name) > len(ending) + 2:
            yield name.removesuffix(ending) + instead


def _singulars(name: str) -> set[str]:
    """The words of a name, each in every form."""
    words = [word for word in re.findall(r"[^\s,;()]+", name) if len(word) > 2]
    return {form for word in words for form in (word, *_singular_forms(word))}
