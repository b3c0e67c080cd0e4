"""Text tables that other programs write: bytes to rows, with every complaint told by file and line."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from scheduler.errors import BadInput

MAX_BYTES = 64_000_000  # far above any garden's record; a damaged or hostile archive must not fill the memory
MOST_LINES = 150_000
"""Read of a file with more are the first half of so many, and the last: the newest stand at one end of it."""
LONGEST_LINE = 1_000_000
SHOWN = 20
GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True, slots=True)
class Table:
    header: tuple[str, ...]
    rows: tuple[tuple[int, list[str]], ...]
    """(line in the file, cells): blank lines and lines that begin with # are left out."""
    cut_line: int | None = None  # a last line that breaks off: the file was being written while it was read
    left_out: int = 0  # lines between the first and the last ones, in a file with too many


def refuse(complaints: Sequence[str], *, hint: str | None = None) -> BadInput:
    """One error for all complaints; beyond the first 20 only their number is told."""
    shown = list(complaints[:SHOWN])
    if len(complaints) > SHOWN:
        shown.append(f"... and {len(complaints) - SHOWN} more")
    return BadInput("\n".join(shown), hint=hint)


def load(source: Path | str | bytes, *, name: str | None = None, encoding: str = "utf-8") -> tuple[str, str]:
    """The text of a file (also gzipped) and the name to call it by.

    A str without any line break is a path; with one it is the text itself.
    Raises BadInput where the file is absent, damaged, or not text in `encoding`.
    """
    if isinstance(source, str) and source.strip() and not ("\n" in source or "\r" in source):
        source = Path(source)
    if isinstance(source, str):
        return source.removeprefix("\ufeff"), name or "weather file"
    if isinstance(source, bytes):
        label = name or "weather file"
        return _decode(_unpack(source, label), label, encoding), label
    label = name or source.name
    if source.exists() and not source.is_file():  # a pipe would be waited for without end
        raise BadInput(f"{label}: cannot be read ({source}): it is no regular file")
    try:
        with source.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise BadInput(f"{label}: there is no such file ({source})") from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise BadInput(f"{label}: cannot be read ({source}): {reason}") from None
    return _decode(_unpack(data, label), label, encoding), label


def _unpack(data: bytes, label: str) -> bytes:
    if data.startswith(GZIP_MAGIC) and len(data) <= MAX_BYTES:
        try:
            with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
                data = packed.read(MAX_BYTES + 1)
        except (OSError, EOFError, zlib.error):
            raise BadInput(f"{label}: is a damaged or incomplete gzip file") from None
    if len(data) > MAX_BYTES:
        raise BadInput(f"{label}: is larger than {MAX_BYTES // 1_000_000} MB, too large for a weather file")
    return data


def _decode(data: bytes, label: str, encoding: str) -> str:
    try:
        codec = codecs.lookup(encoding).name
    except LookupError:
        raise BadInput(f'{label}: "{encoding}" is not an encoding - for example "latin-1"') from None
    if codec == "utf-8":
        if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or data.count(0) > len(data) // 4:
            raise BadInput(f"{label}: is UTF-16 text; save it as UTF-8 (plain CSV)")
        codec = "utf-8-sig"
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        raise BadInput(
            f"{label}:{line}: is not {encoding.upper()} text (byte 0x{data[problem.start]:02x}), "
            "probably Latin-1 or a Windows code page; save it as UTF-8"
        ) from None
    except UnicodeError as problem:
        raise BadInput(f"{label}: is not {encoding} text: {problem}") from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise BadInput(f"{label}:{line}: holds NUL bytes: the file is damaged")
    return text.removeprefix("\ufeff")


def lines(text: str) -> list[str]:
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _ends(text: str) -> tuple[list[str], int]:
    """All lines, or those at both ends and how many were left out between."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    left_out = text.count("\n") + 1 - MOST_LINES
    if left_out <= 0:
        return text.split("\n"), 0
    half = MOST_LINES // 2
    return text.split("\n", half)[:half] + text.rsplit("\n", half)[-half:], left_out


def split(text: str, label: str, *, delimiter: str = ",", header_line: int | None = None) -> Table:
    """Rows of the text below its header: the first filled line, or the one at `header_line` (from 1)."""
    every, left_out = _ends(text)
    if any(len(line) > LONGEST_LINE for line in every):
        raise BadInput(f"{label}: has a line of more than {LONGEST_LINE:,} characters")
    skipped = 0 if header_line is None else header_line - 1
    header: tuple[str, ...] | None = None
    rows: list[tuple[int, list[str]]] = []
    seen: dict[str, str] = {}  # the same number stands in many cells: it is kept once
    reader = csv.reader((line + "\n" for line in every[skipped:]), delimiter=delimiter, skipinitialspace=True)
    before = 0
    try:
        for cells in reader:
            line, spanned = skipped + reader.line_num, reader.line_num - before
            before = reader.line_num
            if spanned > 1:
                raise BadInput(f"{label}:{line - spanned + 1}: a quotation mark is opened and not closed")
            if not any(map(str.strip, cells)) or cells[0].startswith("#"):
                continue
            if header is None:
                header = tuple(cell.strip() for cell in cells)
            else:
                row = [seen.setdefault(cell, cell) for cell in cells]
                rows.append((line if line <= MOST_LINES // 2 else line + left_out, row))
    except csv.Error as problem:
        raise BadInput(f"{label}:{skipped + reader.line_num}: is not a CSV line: {problem}") from None
    if header is None:
        raise BadInput(f"{label}: is empty")
    cut_line = None
    if rows and every[-1] and rows[-1][0] == len(every) + left_out and len(rows[-1][1]) < len(header):
        cut_line = rows.pop()[0]
    return Table(header, tuple(rows), cut_line, left_out)


def whole(table: Table, label: str) -> Table:
    """BadInput where lines were left out: for a file of which every row counts."""
    if table.left_out:
        many = table.left_out + MOST_LINES
        raise BadInput(f"{label}: has {many:,} lines, too many for a daily file ({MOST_LINES:,} at most)")
    return table


def uneven(table: Table, label: str) -> list[str]:
    """Complaints about rows whose number of cells is not the header's; empty ones at the end do not count."""
    width = len(table.header)
    complaints = []
    for line, cells in table.rows:
        if len(cells) < width or any(cell.strip() for cell in cells[width:]):
            complaints.append(f"{label}:{line}: {len(cells)} cells where the header names {width}")
    return complaints
