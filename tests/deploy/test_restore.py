"""A backup brought back on a new card, in a scratch root: whole or not at all, never over what is newer."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from scheduler.model import Note
from scheduler.store.store import Store
from scheduler.web.phones import Phones

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
AT = datetime(2026, 6, 1, 8, tzinfo=UTC)


class Card:
    """A scratch root as an installation leaves it, with this project's own code as the version in use."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.data = root / "var/lib/rowwater"
        self.config = root / "etc/rowwater"
        self.secrets = root / "etc/default/rowwater"
        self.backups = root / "var/backups/rowwater"
        for folder in (self.data, self.config, self.secrets.parent, root / "opt/rowwater/current/bin"):
            folder.mkdir(parents=True)
        self.secrets.touch(0o600)
        python = root / "opt/rowwater/current/bin/python"
        python.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" "$@"\n')
        python.chmod(0o755)

    @property
    def database(self) -> Path:
        return self.data / "rowwater.db"

    def note(self, n: int, at: datetime = AT) -> None:
        with Store.open(self.database, now=at) as store:
            store.add_note(Note("chore", date(2026, 6, 1), at, None, {"chore": "flush", "n": n}))

    def noted(self) -> list[int]:
        with Store.open(self.database, now=AT) as store:
            return [note.details["n"] for note in store.notes()]

    def run(self, script: str, *words: str, status: int = 0) -> str:
        done = subprocess.run(
            ["bash", str(DEPLOY / script), *words], env=os.environ | {"DESTDIR": str(self.root)},
            capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        assert done.returncode == status, done.stdout + done.stderr
        return (done.stdout + done.stderr).strip()


@pytest.fixture
def old(tmp_path: Path) -> Card:
    """A card that was lived with: records, settings, secrets, and files that the garden names."""
    card = Card(tmp_path / "old")
    key, record = tmp_path / "relay-key", card.config / "station.csv"
    key.write_text("swordfish")
    key.chmod(0o600)
    record.write_text("Date,High\n")
    (card.config / "garden.yaml").write_text(
        "weather:\n  sources: [{file: {path: station.csv, columns: {tmax_f: High}}}]\n"
        f"zones: {{beans: {{valve: {{http: {{open: {{headers: {{X-Key: {{file: {key}}}}}}}}}}}}}}}\n"
    )
    (card.config / "crops.yaml").write_text("{}\n")
    card.secrets.write_text("RELAY_KEY=hunter2\n")
    (card.data / "valves.json").write_text("[]")
    (card.data / "in-use-3").mkdir()
    (card.data / "in-use-3/garden.yaml").write_text("garden: mine\n")
    card.note(1)
    card.note(2)
    return card


@pytest.fixture
def new(tmp_path: Path) -> Card:
    return Card(tmp_path / "new")


def test_a_new_card_is_as_the_old_one_was(old: Card, new: Card, tmp_path: Path):
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    old.note(3, AT.replace(hour=9))
    (tmp_path / "relay-key").unlink()
    said = new.run("restore.sh", str(tmp_path / "disk"))
    assert f"Restored from {made}: records up to 2026-06-01T08:00:00" in said
    assert "rowwater day --records-are-right" in said, "what was given since the backup is unknown to it"
    assert "Next: rowwater check" in said
    assert new.noted() == [1, 2]
    assert new.database.stat().st_mode & 0o777 == 0o660
    for name in ("garden.yaml", "crops.yaml"):
        assert (new.config / name).read_text() == (old.config / name).read_text()
    assert new.secrets.read_text() == "RELAY_KEY=hunter2\n"
    assert new.secrets.stat().st_mode & 0o777 == 0o600
    assert (new.data / "in-use-3/garden.yaml").read_text() == "garden: mine\n"
    assert (new.data / "valves.json").exists()
    key = new.root / str(tmp_path / "relay-key").lstrip("/")
    assert (key.read_text(), key.stat().st_mode & 0o777) == ("swordfish", 0o600)
    assert (new.root / str(old.config / "station.csv").lstrip("/")).exists()
    assert not list(new.backups.glob("replaced-*")), "there was nothing to replace"
    said = new.run("restore.sh", str(made))
    assert (new.noted(), "Newer" in said) == ([1, 2], False), "the same again"


def test_the_page_is_there_again_and_its_phones_are_to_be_paired_anew(old: Card, new: Card, tmp_path: Path):
    """Which phones were paired is in no backup: one that was taken off since would be let in again."""
    certificate, key = tmp_path / "page.crt", tmp_path / "page.key"
    certificate.write_text("certificate")
    key.write_text("key")
    key.chmod(0o640)
    garden = (ROOT / "examples/creekside/garden.yaml").read_text()
    page = f"page: {{listen: 127.0.0.1:8008, certificate: {certificate}, key: {key}}}\n"
    (old.config / "garden.yaml").write_text(garden + page)
    at = datetime.now(UTC)
    (old.data / "page").mkdir()
    Phones(old.data / "page").new_code("water", "Ann's phone", at)
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    assert not [path for path in made.rglob("*") if "phones" in path.name]
    for path in (certificate, key):
        path.unlink()
    said = new.run("restore.sh", str(made))
    assert "Phones find the page at 127.0.0.1:8008" in said
    assert "Pair each anew: rowwater page pair" in said
    for path, mode in ((certificate, 0o644), (key, 0o640)):
        there = new.root / str(path).lstrip("/")
        assert there.stat().st_mode & 0o777 == mode
    Phones(new.data / "page").new_code("look", None, at)
    assert "Pair each anew" not in new.run("restore.sh", str(made)), "those of this card stay as they are"


def test_what_is_newer_here_is_named_and_stays(old: Card, new: Card, tmp_path: Path):
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    new.note(7, AT.replace(day=2))
    (new.config / "garden.yaml").write_text("garden: edited since\n")
    said = new.run("restore.sh", str(made), status=1)
    assert "the records go to 2026-06-02T08:00:00" in said
    assert "garden.yaml was edited after the backup" in said
    assert "Nothing was done" in said
    assert new.noted() == [7]
    assert new.secrets.read_text() == ""

    said = new.run("restore.sh", "--over-newer", str(made))
    assert new.noted() == [1, 2]
    (kept,) = new.backups.glob("replaced-*")
    assert f"What was here before is kept in {kept}" in said
    assert (kept / "garden.yaml").read_text() == "garden: edited since\n"
    assert (kept / "rowwater.db").exists()
    assert kept.stat().st_mode & 0o077 == 0


def test_the_records_alone(old: Card, new: Card, tmp_path: Path):
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    new.run("restore.sh", str(made / "rowwater.db"))
    assert new.noted() == [1, 2]
    assert not (new.config / "garden.yaml").exists()


def damaged(made: Path) -> None:
    database = made / "rowwater.db"
    text = bytearray(database.read_bytes())
    text[4096:8192] = os.urandom(4096)
    database.write_bytes(text)


def foreign(made: Path) -> None:
    (made / "rowwater.db").unlink()
    with closing(sqlite3.connect(made / "rowwater.db")) as other:
        other.execute("create table songs (name)")
        other.commit()


def newer(made: Path) -> None:
    with closing(sqlite3.connect(made / "rowwater.db")) as records:
        records.execute("update alembic_version set version_num = '9999'")
        records.commit()


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (damaged, "are not sound: nothing was done"),
        (foreign, "holds no records of Rowwater: nothing was done"),
        (newer, "was written by a newer version (revision 9999): install that first. Nothing was done"),
    ],
)
def test_a_backup_that_cannot_serve_changes_nothing(old: Card, new: Card, tmp_path: Path, spoil, why: str):
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    spoil(made)
    new.note(5)
    assert why in new.run("restore.sh", str(made), status=1)
    assert new.noted() == [5]
    assert not (new.config / "garden.yaml").exists()
    assert sorted(path.name for path in new.data.iterdir() if path.suffix != ".checked") == ["rowwater.db"]


def test_what_is_no_backup(new: Card, tmp_path: Path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "letter").write_text("dear diary\n")
    assert "there is no backup in" in new.run("restore.sh", str(tmp_path / "photos"), status=1)
    assert "are not sound" in new.run("restore.sh", str(tmp_path / "letter"), status=1)
    assert "no such folder or file" in new.run("restore.sh", str(tmp_path / "nowhere"), status=1)
    for words in ((), ("a", "b"), ("--newest",), ("--over-newer",)):
        assert "usage: restore.sh" in new.run("restore.sh", *words, status=1)


def test_damaged_records_here_give_way(old: Card, new: Card, tmp_path: Path):
    """They are why somebody restores: what can no longer be asked how new it is stands in nobody's way."""
    made = Path(old.run("backup.sh", str(tmp_path / "disk")))
    new.database.write_bytes(b"noise" * 4000)
    new.run("restore.sh", str(made))
    assert new.noted() == [1, 2]
    (kept,) = new.backups.glob("replaced-*")
    assert (kept / "rowwater.db").read_bytes() == b"noise" * 4000
