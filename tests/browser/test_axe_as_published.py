"""What is vendored is what was published."""

from __future__ import annotations

import hashlib
from pathlib import Path

FOLDER = Path(__file__).parent / "axe"


def test_the_file_is_the_published_one() -> None:
    said, name = (FOLDER / "axe.min.js.sha256").read_text().split()
    whole = (FOLDER / name).read_bytes()
    assert hashlib.sha256(whole).hexdigest() == said
    assert b"axe v4.14.1" in whole[:40]
    assert (FOLDER / "LICENSE").read_text().startswith("Mozilla Public License, version 2.0")
