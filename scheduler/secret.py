"""A secret from the file that garden.yaml names for it."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from pathlib import Path

from scheduler.places import unreadable


def secret(file: str, environ: Mapping[str, str]) -> str:
    """The text of the file without its last line's end. OSError or ValueError where there is none.

    `~` is the home folder. A name that is not absolute is first looked for among the credentials that the
    service manager hands over: systemd.exec(5), $CREDENTIALS_DIRECTORY.
    """
    path = Path(file).expanduser()
    handed = environ.get("CREDENTIALS_DIRECTORY")
    if handed and not path.is_absolute() and (Path(handed) / path).is_file():
        path = Path(handed) / path
    if path.exists() and (why := unreadable(path)):  # a pipe would be waited for
        raise OSError(errno.EINVAL, why, str(path))
    return path.read_text(encoding="utf-8").rstrip("\r\n")
