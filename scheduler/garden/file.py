"""garden.yaml and crops.yaml -> Garden: all complaints at once, or a garden that holds together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from scheduler.errors import BadGarden, BadInput
from scheduler.garden.blocks import GardenBlock
from scheduler.garden.build import Builder
from scheduler.garden.changes import Change, put
from scheduler.garden.checks.whole import check_garden
from scheduler.garden.crops import CROPS_FILE, CropBook
from scheduler.garden.nodes import MOST_BYTES
from scheduler.garden.plantings import settle_of
from scheduler.garden.sheet import Sheet
from scheduler.model import Crop, Display, Garden, Planting, Zone
from scheduler.places import HINT_INIT

_STAND_INS: Mapping[str, Any] = {
    "garden": "unnamed",
    "location": {"latitude": 0.0, "longitude": 0.0, "elevation": "0 m", "timezone": "UTC"},
    "supply": {"flow": "1 L/min"},
    "tapes": {},
    "zones": {},
}
"""Take the place of required blocks that are missing or wrong, so that the others can still be checked."""


# --- loading -------------------------------------------------------------------------------------


def load(path: Path) -> Garden:
    """The garden of a file and of the crops.yaml beside it; raises BadGarden, or BadInput if unreadable."""
    return GardenFile.read(path).garden()


@dataclass(frozen=True, slots=True)
class GardenFile:
    """The texts that make a garden, read once, and the garden of them as often as with other values."""

    text: bytes
    crops: bytes | None
    name: str
    folder: str

    @classmethod
    def read(cls, path: Path) -> GardenFile:
        """Raises BadInput if unreadable."""
        return cls(_bytes(path), _crops_beside(path), path.name, str(path.parent))

    def garden(self, changes: Sequence[Change] = ()) -> Garden:
        """With the changes in force; raises BadGarden, and WrongKey where a change's key is none."""
        return load_text(self.text, self.crops, name=self.name, folder=self.folder, changes=changes)

    def complaints_of(self, change: Change) -> list[str]:
        """Why the value of a change cannot be read, as the garden would be refused for it; none if it can.

        Raises WrongKey.
        """
        sheet = Sheet(self.text, self.name)
        if sheet.broken or sheet.is_empty:
            return []
        put(sheet, change)
        sheet.check(GardenBlock, {"display": _display(sheet)}, _STAND_INS)
        return sheet.complaints_of_put


def load_text(
    garden_text: str | bytes,
    crops_text: str | bytes | None = None,
    *,
    name: str = "garden.yaml",
    folder: str = ".",
    changes: Sequence[Change] = (),
) -> Garden:
    """The garden that two texts describe; raises BadGarden with every complaint, by file and line."""
    sheet = Sheet(garden_text, name)
    if not sheet.broken and not sheet.is_empty:
        for change in changes:
            put(sheet, change)
    display = _display(sheet)
    book = CropBook(crops_text, display)
    if sheet.is_empty and not sheet.complaints:
        sheet.complain((), f"the file is empty - {HINT_INIT}")
    block = sheet.check(GardenBlock, {"display": display}, _STAND_INS)
    if block:
        check_garden(sheet, block, book)
    book.check()
    if complaints := sheet.complaints + book.complaints:
        raise BadGarden(complaints)
    assert block  # without one there are complaints
    return Builder(block, book, folder).garden()


def crops_in_force(path: Path) -> dict[str, Crop]:
    """All crops by name, the shipped ones with the changes of the crops.yaml beside garden.yaml at `path`.

    Raises BadGarden where crops.yaml is wrong.
    """
    book = _book_beside(path)
    return {name: book.crop(name) for name in book.names()}


def crop_book(path: Path | None) -> tuple[CropBook, Display]:
    """The crops of the garden at `path` and its display; without one the shipped crops, in metric.

    Raises BadGarden where crops.yaml is wrong.
    """
    if path is None:
        return CropBook(None, "metric"), "metric"
    return _book_beside(path), _display(Sheet(_bytes(path), path.name))


def planting_from_note(garden_path: Path, zone: Zone, crop_name: str, planted: date) -> Planting:
    """What the grower noted as planted, on the zone's own rows; raises BadInput for want of crop or rows."""
    book = _book_beside(garden_path)
    found = book.find(crop_name)
    if found is None:
        raise BadInput(book.unknown(crop_name))
    if zone.rows is None:
        raise BadInput(
            f"{zone.name} has no rows of its own",
            hint=f"write the planting with its rows under zones.{zone.name}.plantings in {garden_path.name}",
        )
    crop = book.crop(found)
    return Planting(
        crop,
        planted,
        None,
        zone.rows,
        measured_flow_lpm=zone.measured_flow_lpm,
        settle=settle_of(None, crop.by),
    )


def _book_beside(path: Path) -> CropBook:
    book = CropBook(_crops_beside(path), _display(Sheet(_bytes(path), path.name)))
    book.check()
    if book.complaints:
        raise BadGarden(book.complaints)
    return book


def _bytes(path: Path) -> bytes:
    if path.exists() and not path.is_file():  # a pipe would be waited for without end
        raise BadInput(f"{path}: cannot be read: it is {'a folder' if path.is_dir() else 'no regular file'}")
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror or error}") from error


def _crops_beside(path: Path) -> bytes | None:
    beside = path.with_name(CROPS_FILE)
    return _bytes(beside) if beside.exists() else None


def _display(sheet: Sheet) -> Display:
    """What the file says, before it is checked; where that is not known metric, which takes bare numbers."""
    typed = sheet.word("display")
    if typed is None:
        return "metric" if sheet.broken or "display" in sheet.keys_at() else "us"
    return "us" if typed.strip().casefold() == "us" else "metric"
