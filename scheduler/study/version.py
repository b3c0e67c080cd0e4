"""What figures depend on beside garden and weather: this program, and the libraries it counts with."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

LIBRARIES = ("numpy", "pandas", "pyet", "highspy")


@cache
def versions() -> dict[str, str]:
    """By name; "rowwater" with a digest of its own files, so that an edited copy is told from another."""
    return {
        "rowwater": f"{_version('rowwater')} ({_digest()})",
        "python": ".".join(platform.python_version_tuple()[:2]),
        **{name: _version(name) for name in LIBRARIES},
    }


def fingerprint() -> str:
    """All of it in one text."""
    return ", ".join(f"{name} {number}" for name, number in versions().items())


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "none"


def _digest() -> str:
    root = Path(__file__).parents[1]
    made = hashlib.sha256()
    for path in sorted(root.rglob("*.py")) + sorted((root / "config").glob("*.yaml")):
        made.update(path.relative_to(root).as_posix().encode())
        made.update(path.read_bytes())
    return made.hexdigest()[:12]
