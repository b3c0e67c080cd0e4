"""Did you mean: the known word that a mistyped one comes closest to."""

from __future__ import annotations

from collections.abc import Iterable

_LONGEST = 80
"""Nobody mistypes more letters than that, and comparing takes time by their square."""


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """The known word that `word` was probably meant to be, None where none is close; case is no matter.

    `cutoff` is how alike the two must be, from 0 to 1 (2 x letters in common / letters of both).

    >>> nearest("Lenght", ["length", "width"]), nearest("colour", ["length", "width"])
    ('length', None)
    """
    from difflib import get_close_matches  # only where something is wrong

    if len(word) > _LONGEST:
        return None
    folded: dict[str, str] = {}
    for name in known:
        folded.setdefault(name.casefold(), name)
    near = get_close_matches(word.casefold(), folded, n=1, cutoff=cutoff)
    return folded[near[0]] if near else None


def did_you_mean(word: str, known: Iterable[str], otherwise: str) -> str:
    """The question with the nearest known word, or else the text `otherwise`.

    >>> did_you_mean("lenght", ["length", "width"], "for example: width")
    'did you mean "length"?'
    """
    near = nearest(word, known)
    return f'did you mean "{near}"?' if near else otherwise
