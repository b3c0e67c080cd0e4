"""Every error raised on purpose, with the exit status the command line ends with."""

from __future__ import annotations

from collections.abc import Sequence


class RowwaterError(Exception):
    """What went wrong, and what to do next (`hint`); never shown with a traceback."""

    exit_status = 1

    def __init__(self, text: str, *, hint: str | None = None) -> None:
        super().__init__(text)
        self.text = text
        self.hint = hint


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
