"""The one way a file is replaced."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from scheduler.errors import CouldNot


def write_atomic(path: Path, content: str | bytes, *, mode: int | None = None) -> None:
    """Replaces the file in one step: a reader, or a power cut, meets the old or the new, never a part.

    mode: of the new file; without it a file that is replaced hands on its own. CouldNot where disk or rights
    stand in the way; the old file is then as it was.
    """
    data = content.encode() if isinstance(content, str) else content
    with _explained(path):
        mode = _mode(path) if mode is None else mode
        part = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
        try:
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode or 0o666)  # less the umask
            with os.fdopen(handle, "wb") as file:
                if mode is not None:
                    os.fchmod(handle, mode)
                file.write(data)
                file.flush()
                os.fsync(handle)
            part.replace(path)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Makes renames in the folder last through a power cut. OSError."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _mode(path: Path) -> int | None:
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except FileNotFoundError:
        return None


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise CouldNot(
                f"no room left on the disk for {path}", hint="free some space, then try again"
            ) from error
        raise CouldNot(
            f"{path} could not be written ({error.strerror or error})",
            hint=f"let this user write in {path.parent}; a card that has turned read-only is failing",
        ) from error
