"""SQLAlchemy over the store's own connections. Import this only where it is needed: it takes its time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, QueuePool, create_engine, event
from sqlalchemy.exc import DBAPIError

from scheduler.store.connection import BEGIN, connect


def engine_of(path: Path, patience_s: float) -> Engine:
    """Use with `execution_options(write=True)` takes the write lock at the beginning."""
    engine = create_engine(
        "sqlite://", creator=lambda: connect(path, patience_s), poolclass=QueuePool, hide_parameters=True
    )
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_begin(connection: Connection) -> None:
    write = bool(connection.get_execution_options().get("write", False))
    connection.exec_driver_sql(BEGIN[write])


@contextmanager
def transaction(engine: Engine, *, write: bool) -> Iterator[Connection]:
    """Raises what SQLite raised, without SQLAlchemy's wrapping."""
    try:
        with engine.execution_options(write=write).begin() as connection:
            yield connection
    except DBAPIError as error:
        if error.orig is None:
            raise
        raise error.orig from error
