"""The files that a garden.yaml names: a station's records, secrets, certificates. For a backup that is whole.

python -m scheduler.garden.named_files /etc/rowwater/garden.yaml       their whole paths, a line each
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from scheduler.garden.nodes import MOST_BYTES, Broken, Node, composed, decoded

KEYS = frozenset(("file", "path", "password_file", "command", "program", "certificate", "key"))


def named_files(garden_file: Path) -> list[Path]:
    """Those that are there, in order, each once; none where the file cannot be read or is no YAML."""
    try:
        with garden_file.open("rb") as file:
            top = composed(decoded(file.read(MOST_BYTES)), lambda *_: None)
    except (OSError, Broken):
        return []
    found: dict[Path, None] = {}
    for word in _words(top, wanted=False):
        path = garden_file.parent / word
        if "\n" not in word and path.is_file():
            found[path.resolve()] = None
    return list(found)


def _words(node: Node | None, *, wanted: bool) -> Iterator[str]:
    """The texts below any key that may name a file."""
    match node.value if node else None:
        case dict() as keys:
            for key, below in keys.items():
                yield from _words(below, wanted=key in KEYS)
        case list() as several:
            for one in several:
                yield from _words(one, wanted=wanted)
        case str() as word if wanted and word:
            yield word


if __name__ == "__main__":
    for found in named_files(Path(sys.argv[1])):
        print(found)  # noqa: T201 - a process of its own: print is its voice
