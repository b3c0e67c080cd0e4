"""What SQLite and the file system refuse, in words that say what to do."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.store.rows import Unreadable

_READ_ONLY = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}
_LOCKED = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


class Damaged(CouldNot):
    """The file does not hold what was written: the next opening looks through the whole of it."""


def primary_code(error: sqlite3.Error) -> int | None:
    """SQLite's primary result code (https://sqlite.org/rescode.html), None for what Python itself refused."""
    code: int | None = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turns failures of the disk, the database or another program into CouldNot; lets defects through."""
    try:
        yield
    except (Unreadable, UnicodeDecodeError) as error:
        raise _unreadable(path, str(error)) from error
    except sqlite3.Error as error:
        if found := _database(path, error):
            raise found from error
        raise
    except OSError as error:
        raise _file_system(path, error) from error


def _database(path: Path, error: sqlite3.Error) -> CouldNot | None:
    code = primary_code(error)
    if code in _LOCKED:
        return CouldNot(
            f"another program keeps the database {path} locked",
            hint="close the program that has it open (a database viewer, a copy under way), then try again",
        )
    if code in _READ_ONLY:
        return _not_writable(path, str(error))
    if code == sqlite3.SQLITE_FULL:
        return _full(path)
    if code == sqlite3.SQLITE_IOERR:
        return CouldNot(
            f"reading or writing the database {path} failed ({error})",
            hint="the disk may be full or the card failing: copy the folder to another one and look at it",
        )
    if code in DAMAGED:
        return Damaged(
            f"the database {path} is damaged ({error})",
            hint="run the command again: the damaged file is set aside and a new one begun",
        )
    if code == sqlite3.SQLITE_ERROR and "no such table" in str(error):  # they were there when it was opened
        return CouldNot(
            f"the database {path} was deleted or replaced while it was in use ({error})",
            hint="run the command again: what stands there now is opened anew",
        )
    if code is None and type(error) is sqlite3.OperationalError:  # text that is no UTF-8
        return _unreadable(path, str(error))
    return None


def _unreadable(path: Path, why: str) -> Damaged:
    return Damaged(
        f"a record in the database {path} cannot be read ({why})",
        hint="put back the newest backup, or rename the file so that a new one is begun",
    )


def _file_system(path: Path, error: OSError) -> CouldNot:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return _full(path)
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return _not_writable(path, error.strerror or str(error))
    if error.errno in (errno.EEXIST, errno.ENOTDIR):
        return CouldNot(
            f"{error.filename or path.parent} is a file where a folder should be",
            hint="rename it, or name another folder with --data",
        )
    return CouldNot(f"{error.filename or path}: {error.strerror or error}", hint="look at the disk it is on")


def _not_writable(path: Path, reason: str) -> CouldNot:
    return CouldNot(
        f"the database {path} cannot be opened for writing ({reason})",
        hint=f"let this user write in {path.parent}; if the card has turned read-only, it is failing or was "
        "mounted so",
    )


def _full(path: Path) -> CouldNot:
    return CouldNot(
        f"no room left on the disk for the database {path}",
        hint="free some space, then run it again: what was recorded before is still there",
    )
