"""Every error raised on purpose, with the exit status the command line ends with."""

from __future__ import annotations

from collections.abc import Sequence


def printable(text: str) -> str:
    """The same text with every character that a terminal would obey, or not show, written out.

    Errors quote relays, stations and files of others.  Lines stay lines, and every kind of space a space.

    >>> printable("OK\\x1b[2J\\u202e!")
    'OK\\\\x1b[2J\\\\u202e!'
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" or c in _SPACES else _escaped(c) for c in text)


_SPACES = "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode()


class RowwaterError(Exception):
    """What went wrong, and what to do next (`hint`); never shown with a traceback."""

    exit_status = 1

    def __init__(self, text: str, *, hint: str | None = None) -> None:
        super().__init__(printable(text))
        self.text = printable(text)
        self.hint = hint and printable(hint)


class CouldNot(RowwaterError):
    """The job was understood but could not be done (no weather, no database, a failed valve)."""


class BadInput(RowwaterError):
    """The command line, a file of the grower or a weather file is wrong."""

    exit_status = 2


class BadGarden(BadInput):
    """All complaints about the grower's YAML files at once, each `file:line: key: what is expected`."""

    def __init__(self, complaints: Sequence[str]) -> None:
        super().__init__("\n".join(complaints))
        self.complaints = tuple(complaints)


class NoReferenceET(CouldNot):
    """No temperatures on a day, and no earlier day to take a mean from (M2 refuses: no silent zero)."""
