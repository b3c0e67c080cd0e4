"""Fittings and tape counted: what a garden's first build and a changeover share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

TapeWork = Literal["keep", "cut back", "extend", "lay"]


@dataclass(frozen=True, slots=True)
class TapePiece:
    """What the tape at one take-off of the new layout asks for."""

    row: int
    work: TapeWork
    length_m: float  # as it will lie
    cut_m: float  # off the reel


@dataclass(frozen=True, slots=True)
class Parts:
    """Fittings (counts) and tape (metres) that a changeover asks for or sets free."""

    row_starts: int = 0  # take-off fittings, one at each new hole
    row_starts_freed: int = 0  # from the holes that are plugged, if still sound
    plugs: int = 0
    couplings: int = 0  # one where a tape is extended
    end_closures: int = 0  # one for each tape laid new
    end_closures_freed: int = 0  # from the tapes lifted
    tape_m: float = 0.0  # to cut, without waste
    lifted_m: float = 0.0  # old tape taken up

    @classmethod
    def of(cls, pieces: Sequence[TapePiece], *, new: int, plugged: int, lifted_m: Sequence[float]) -> Parts:
        """What new and plugged holes, the tapes of the new layout and those lifted come to.

        >>> laid = [TapePiece(row, "lay", 20.0, 20.0) for row in (1, 2)]
        >>> parts = Parts.of(laid, new=2, plugged=0, lifted_m=[])
        >>> parts.row_starts, parts.end_closures, parts.clamps, parts.tape_m
        (2, 2, 4, 40.0)
        """
        works = [piece.work for piece in pieces]
        return cls(
            row_starts=new,
            row_starts_freed=plugged,
            plugs=plugged,
            couplings=works.count("extend"),
            end_closures=works.count("lay"),
            end_closures_freed=len(lifted_m),
            tape_m=sum(piece.cut_m for piece in pieces),
            lifted_m=sum(lifted_m),
        )

    @property
    def clamps(self) -> int:
        """One on each end of tape that sits on a barb: at row starts, end closures, twice at couplings."""
        return self.row_starts + self.end_closures + 2 * self.couplings

    @classmethod
    def sum(cls, parts: Iterable[Parts]) -> Parts:
        """All fittings and metres added up; `Parts()` for none.

        >>> whole = Parts.sum([Parts(plugs=2, tape_m=20.0), Parts(plugs=1, tape_m=5.0)])
        >>> whole.plugs, whole.tape_m, whole.couplings
        (3, 25.0, 0)
        """
        rows = list(parts)
        whole = ("row_starts", "row_starts_freed", "plugs", "couplings", "end_closures", "end_closures_freed")
        return cls(
            **{name: sum(getattr(part, name) for part in rows) for name in whole},
            tape_m=sum(part.tape_m for part in rows),
            lifted_m=sum(part.lifted_m for part in rows),
        )
