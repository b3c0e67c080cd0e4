"""Service and growers of its group share one folder (setgid): whoever comes first locks nobody out."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from store.samples import NOW, rain_note

from scheduler.store.store import Store


@pytest.fixture
def shared(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    folder.chmod(0o2770)
    return folder


@pytest.mark.parametrize("umask", [0o022, 0o027, 0o077, 0o007])
def test_whoever_comes_first_the_group_can_write(shared: Path, umask: int) -> None:
    before = os.umask(umask)
    try:
        with Store.open(shared / "rowwater.db", now=NOW) as store:
            store.add_note(rain_note())
            modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in shared.glob("rowwater.db*")}
    finally:
        os.umask(before)
    modes.pop("rowwater.db.checked", None)
    assert set(modes) == {"rowwater.db", "rowwater.db-wal", "rowwater.db-shm"}
    assert all(mode & 0o660 == 0o660 for mode in modes.values()), modes


def test_what_an_older_version_left_is_shared_by_its_owner(shared: Path) -> None:
    path = shared / "rowwater.db"
    Store.open(path, now=NOW).close()
    path.chmod(0o644)
    with Store.open(path, now=NOW) as store:
        store.add_note(rain_note())
        assert stat.S_IMODE(path.stat().st_mode) == 0o664
        assert stat.S_IMODE((shared / "rowwater.db-wal").stat().st_mode) & 0o060 == 0o060


def test_a_folder_that_nobody_shares_stays_private(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        Store.open(tmp_path / "rowwater.db", now=NOW).close()
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "rowwater.db").stat().st_mode) == 0o600


@pytest.mark.parametrize("text", [b"CREATE TABLE notes", b"0003", b"alembic_version"])
def test_one_spoilt_letter_in_a_name_is_damage_and_no_defect(tmp_path: Path, text: bytes) -> None:
    """Found by tests/fuzz: SQLite's own words about it then are no UTF-8, and Python raises that."""
    path = tmp_path / "rowwater.db"
    with Store.open(path, now=NOW) as store:
        store.add_note(rain_note())
    data = bytearray(path.read_bytes())
    for at in (i for i in range(len(data)) if data.startswith(text, i)):
        data[at + len(text) - 1] = 0x80
    path.write_bytes(data)
    with Store.open(path, now=NOW, check=True) as store:
        assert store.replaced
        assert "is damaged" in store.notices[0]
    assert [kept for kept in tmp_path.glob("*.broken-*") if kept.read_bytes() == bytes(data)]


SERVICE = """
import os, pathlib, sys
import urllib.parse  # pathlib loads it late, and the other user may not read Python
from datetime import date
from functools import partial
from scheduler.service.books import AskDay, Books
from scheduler.service.folder import open_store, write_page
os.setgid(65534)
os.setuid(65534)
data = pathlib.Path(sys.argv[1])
for answer in Books(partial(open_store, data), partial(write_page, data)).do(AskDay(date(2026, 6, 12), 0)):
    print(answer)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="takes two users")
def test_the_service_says_at_its_start_that_it_cannot_write(tmp_path: Path) -> None:
    """A grower was first, in a folder without the setgid bit: the service could read and never write."""
    folder = tmp_path / "data"
    folder.mkdir()
    with Store.open(folder / "rowwater.db", now=NOW) as store:
        for parent in (*tmp_path.parents[:-1], tmp_path, folder):
            parent.chmod(parent.stat().st_mode | 0o055)
        store.add_note(rain_note())
        folder.chmod(0o777)
        call = [sys.executable, "-c", SERVICE, str(folder)]
        said = subprocess.run(call, capture_output=True, text=True, check=False, timeout=60)
    assert "Disk(of='books', why=" in said.stdout, said
    assert "cannot be opened for writing" in said.stdout
