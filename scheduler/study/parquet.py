"""Seasons as a Parquet file, written as they come (pyarrow, of the extra `study`)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.shapes.study import StudySeason

ROWS_AT_ONCE = 10_000
_KINDS = {
    "garden": "string", "variant": "string", "year": "int32", "liters": "float64", "stress_days": "int32",
    "drained_l": "float64", "longest_minutes": "float64", "short_days": "int32", "short_l": "float64",
    "lost": "float64",
    "short_share": "float64",
}  # fmt: skip


def check() -> None:
    """CouldNot where pyarrow is not there: told before anything runs."""
    try:
        import pyarrow.parquet  # noqa: F401 - only whether it is there
    except ImportError:
        raise CouldNot("--parquet needs pyarrow", hint="pip install 'rowwater[study]'") from None


def through(path: Path, rows: Iterable[StudySeason]) -> Iterator[StudySeason]:
    """The same rows, each written on its way; the file stands whole under its name after the last one.

    CouldNot where it cannot be written.
    """
    import pyarrow
    from pyarrow import parquet

    schema = pyarrow.schema([(name, getattr(pyarrow, kind)()) for name, kind in _KINDS.items()])
    part = path.with_name(f".{path.name}.part")
    left = iter(rows)
    try:
        with parquet.ParquetWriter(part, schema) as writer:
            while some := list(islice(left, ROWS_AT_ONCE)):
                writer.write_table(pyarrow.Table.from_pylist(some, schema))
                yield from some
        part.replace(path)
    except OSError as error:
        raise CouldNot(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        part.unlink(missing_ok=True)
