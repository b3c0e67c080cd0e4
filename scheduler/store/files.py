"""The database as a file: what state it is in, setting it aside, copying it, one process at a time."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import time
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

from scheduler.disk import sync_folder, write_atomic
from scheduler.errors import CouldNot
from scheduler.store.failures import DAMAGED, primary_code

SIDECARS = ("-wal", "-shm", "-journal")
CHECK_HOURS = 20
"""A file that was found whole is not looked through again so soon: the daily job does it, once."""
PLANS_TRIED = 30
"""The plans that are read day by day, and some more; an older one is told of when somebody asks for it."""


@dataclass(frozen=True, slots=True)
class State:
    """What a look at the file found.

    ready: at the newest revision. other: at another one, older or newer. empty: nothing was ever kept here.
    lost: damaged or gone, `why` says how. foreign: a sound database, but not one of ours.
    """

    kind: Literal["ready", "other", "empty", "lost", "foreign"]
    revision: str | None = None
    why: str = ""


def look(path: Path, head: str, tables: frozenset[str], patience_s: float, *, check: bool) -> State:
    """What is at `path`. Changes nothing that was recorded.

    A missing or empty file is a first start, unless the folder shows that records were kept here before
    (a summary, a schedule, a write-ahead log, an earlier copy): then it counts as lost.
    check: look through the whole file for damage; else only at its beginning.
    """
    if not path.exists():
        return _nothing_there(path, "is gone", log_counts=True)
    if not path.is_file():
        return State("lost", why="is a folder" if path.is_dir() else "is not a file")
    if path.stat().st_size == 0:
        return _nothing_there(path, "is empty", log_counts=True)
    if not has_header(path) and not _log_mends(path, patience_s):
        return State("lost", why="is damaged (its beginning is not that of a database)")
    try:
        with closing(_connect(path, patience_s)) as connection:
            return _look_inside(path, connection, head, tables, check)
    except UnicodeDecodeError as error:  # of the library's own words about a spoilt name
        return State("lost", why=f"is damaged ({error.reason} in its text)")
    except sqlite3.DatabaseError as error:
        if _is_damage(error):
            return State("lost", why=f"is damaged ({error})")
        raise


def make(path: Path) -> None:
    """An empty file, where there is none yet; in a folder that a group shares, writable for the group.

    Before SQLite first opens it: its log and its index get the rights of the file (https://sqlite.org/wal.html),
    whatever the umask of whoever happens to be first, the service or a grower.
    """
    with suppress(OSError):  # SQLite then says why it cannot
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o666))
    share(path)


def share(path: Path) -> None:
    """Gives the group of a shared (setgid) folder what it needs of a database that is ours."""
    with suppress(OSError):
        if not path.parent.stat().st_mode & stat.S_ISGID:
            return
    for ending in ("", *SIDECARS):
        with suppress(OSError):  # not there, or another's: the owner's next command does it
            file = _beside(path, ending)
            mode = stat.S_IMODE(file.stat().st_mode)
            if not mode & stat.S_IWGRP:
                file.chmod(mode | stat.S_IRGRP | stat.S_IWGRP)


def has_header(path: Path) -> bool:
    """Whether the file begins as SQLite's do (https://sqlite.org/fileformat2.html, 1.3.1)."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def _log_mends(path: Path, patience_s: float) -> bool:
    """Whether a file without its header is sound again with its write-ahead log.

    A power cut while the log is copied back can leave it so. Tried on a copy: SQLite throws a log away that
    does not fit, and with it rows that somebody could still mend.
    """
    if not _beside(path, "-wal").exists():
        return False
    trial = _beside(path, f".{os.getpid()}.trial")
    try:
        for ending in ("", "-wal"):
            shutil.copyfile(_beside(path, ending), _beside(trial, ending))
        with closing(_connect(trial, patience_s)) as connection:
            return bool(connection.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
    except sqlite3.DatabaseError as error:
        if _is_damage(error):
            return False
        raise
    finally:
        for ending in ("", *SIDECARS):
            _beside(trial, ending).unlink(missing_ok=True)


def _is_damage(error: sqlite3.Error) -> bool:
    """SQLITE_ERROR is what a look gets for an "unsupported file format", none for text that is no UTF-8."""
    return primary_code(error) in {*DAMAGED, sqlite3.SQLITE_ERROR, None}


def _look_inside(
    path: Path, connection: sqlite3.Connection, head: str, tables: frozenset[str], check: bool
) -> State:
    (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone() if check else ("ok",)
    if verdict != "ok":
        return State("lost", why=f"is damaged ({' '.join(str(verdict).split())})")
    present = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not present:
        return _nothing_there(path, "is empty", log_counts=False)
    if "alembic_version" not in present:
        return State("foreign")
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if row is None:
        return State("foreign")
    if row[0] != head:
        return State("other", revision=row[0])
    if missing := sorted(tables - present):
        return State("lost", why=f"is damaged (no {', '.join(missing)})")
    if check and (why := _broken_plan(connection)):
        return State("lost", why=f"is damaged ({why})")
    return State("ready", revision=head)


def _broken_plan(connection: sqlite3.Connection) -> str | None:
    """What no check of the schema can see: a late plan that cannot be unpacked."""
    query = "SELECT day, page, working FROM plans ORDER BY id DESC LIMIT ?"
    for day, *streams in connection.execute(query, (PLANS_TRIED,)):
        try:
            for stream in streams:
                zlib.decompress(stream)
        except zlib.error as error:
            return f"plan of {day}: {error}"
    return None


def checked_lately(path: Path, now: datetime) -> bool:
    """Whether this very file was looked through, and found whole, within the last `CHECK_HOURS`."""
    try:
        at, inode = _mark(path).read_text(encoding="utf-8").split()
        age = now - datetime.fromisoformat(at)
        return int(inode) == path.stat().st_ino and timedelta(0) <= age < timedelta(hours=CHECK_HOURS)
    except (OSError, ValueError, TypeError):  # none, torn, or without a time zone
        return False


def mark_checked(path: Path, now: datetime) -> None:
    """A mark that cannot be written costs another check, and nothing else."""
    with suppress(OSError, CouldNot):
        write_atomic(_mark(path), f"{now.isoformat()} {path.stat().st_ino}\n")


def forget_check(path: Path) -> None:
    with suppress(OSError):
        _mark(path).unlink(missing_ok=True)


def _mark(path: Path) -> Path:
    return _beside(path, ".checked")


def _nothing_there(path: Path, why: str, *, log_counts: bool) -> State:
    """Lost, if records were kept here before; else a first start.

    log_counts: whether a write-ahead log still waits for its file (else SQLite has just taken it in).
    """
    log = _beside(path, "-wal")
    if log_counts and log.exists() and log.stat().st_size > 0:
        return State("lost", why=why)
    published = {"today.json", "schedule.json", "schedule.ics"}
    copies = (f"{path.name}.before-", f"{path.name}.broken-")
    lived = any(other.name in published or other.name.startswith(copies) for other in path.parent.iterdir())
    return State("lost", why=why) if lived else State("empty")


def _connect(path: Path, patience_s: float) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, timeout=patience_s)


def _beside(path: Path, ending: str) -> Path:
    return path.with_name(path.name + ending)


def set_aside(path: Path, now: datetime) -> Path | None:
    """Renames the file and what belongs to it; the new name, or None where there was nothing to keep."""
    aside = _free(_beside(path, f".broken-{now:%Y%m%dT%H%M%S}"))
    found = False
    for ending in ("", *SIDECARS):
        source = _beside(path, ending)
        if source.exists() or source.is_symlink():
            source.rename(_beside(aside, ending))
            found = True
    sync_folder(path.parent)
    return aside if found else None


def copy_before(path: Path, revision: str, now: datetime, patience_s: float) -> Path:
    """A whole copy beside the file, named for the revision it is about to be brought to."""
    to = _beside(path, f".before-{revision}")
    if to.exists():
        to = _free(_beside(to, f"-{now:%Y%m%dT%H%M%S}"))
    with closing(_connect(path, patience_s)) as source:
        copy_database(source, to)
    return to


def copy_database(source: sqlite3.Connection, to: Path, *, marked: bool = False) -> None:
    """By SQLite's backup call (a copy of the main file alone misses the log), then into place by rename."""
    part = _beside(to, f".{os.getpid()}.part")
    try:
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(part)) as target:
            source.backup(target)
            if marked:
                _mark_as_copy(target)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(to)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    sync_folder(to.parent)


def _mark_as_copy(target: sqlite3.Connection) -> None:
    """Should it ever stand in the place of the original, that is told (`older`)."""
    with suppress(sqlite3.OperationalError), target:  # no such table: a very old one, or not ours
        now = datetime.now(UTC).isoformat()
        target.execute("INSERT OR IGNORE INTO store_info VALUES (?, ?)", (f"copied {now}", now))


def _free(path: Path) -> Path:
    candidate, count = path, 1
    while any(_beside(candidate, ending).exists() for ending in ("", *SIDECARS)):
        count += 1
        candidate = _beside(path, f"-{count}")
    return candidate


@contextmanager
def only_me(folder: Path, patience_s: float) -> Iterator[None]:
    """One process at a time makes, replaces or upgrades a database in the folder."""
    import fcntl  # here, since reading the module must not need POSIX

    handle = os.open(folder, os.O_RDONLY)
    try:
        deadline = time.monotonic() + patience_s
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= deadline:
                    raise CouldNot(
                        f"another program keeps the database in {folder} busy",
                        hint="try again in a moment",
                    ) from None
                time.sleep(0.05)
        yield
    finally:
        os.close(handle)
