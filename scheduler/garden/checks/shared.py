"""What every check may have to say: one of several keys, a name that nothing bears."""

from __future__ import annotations

from collections.abc import Iterable

from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet
from scheduler.nearest import nearest
from scheduler.units import shown


def exactly_one(sheet: Sheet, at: At, keys: Iterable[str], if_none: str = "") -> bool:
    """Whether one of `keys` alone has a value at `at`; complains where none or several have."""
    filled = sheet.filled(at)
    given = [key for key in keys if key in filled]
    if len(given) > 1:
        sheet.complain(at, f"{' and '.join(given)} are given - only one of them can hold")
    elif not given:
        sheet.complain(at, if_none or f"missing: one of {', '.join(keys)}")
    return len(given) == 1


def unknown(sheet: Sheet, at: At, word: str, noun: str, known: Iterable[str]) -> None:
    """Complains that `word` is none of the known ones, `noun` in words."""
    near = nearest(word, known)
    hint = f' - did you mean "{near}"?' if near else f": {', '.join(known) or 'none is described'}"
    sheet.complain(at, f"{shown(word)} is not {noun}{hint}")
