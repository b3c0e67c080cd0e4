"""garden.yaml or crops.yaml that is there and cannot be read: refused at once and named, never left out."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from service.shed import Shed

from scheduler.service import job
from scheduler.service.child import Ended
from scheduler.service.jobs import ConfigWatch, Refused


def folder(path: Path) -> None:
    path.mkdir()


def pipe(path: Path) -> None:
    os.mkfifo(path)


def dangling(path: Path) -> None:
    path.symlink_to("nowhere.yaml")


def round_about(path: Path) -> None:
    path.symlink_to(path.name)


def no_rights(path: Path) -> None:
    path.write_text("garden: x\n")
    path.chmod(0)


SPOILT = [
    (folder, "folder"),
    (pipe, "a pipe or a device, not a file"),
    (dangling, "a link to nowhere.yaml, which is not there"),
    (round_about, "levels of symbolic links"),
    pytest.param(
        no_rights, "Permission denied",
        marks=pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything"),
    ),
]  # fmt: skip


@pytest.mark.parametrize("name", ["garden.yaml", "crops.yaml"])
@pytest.mark.parametrize(("spoil", "words"), SPOILT)
def test_what_cannot_be_read_is_named_at_once(
    name: str, spoil: Callable[[Path], None], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = Shed(tmp_path / "shed")
    path = shed.folder / name
    path.unlink(missing_ok=True)
    spoil(path)
    begin = time.monotonic()
    assert job.main(["read", "--config", str(shed.garden)]) == 2
    assert time.monotonic() < begin + 5.0
    first = capsys.readouterr().err.splitlines()[0]
    assert str(path) in first
    assert words in first


def test_a_hint_is_no_second_complaint(tmp_path: Path) -> None:
    said = "garden.yaml: no such file\n  hint: `rowwater init` writes one\n"
    ended = Ended(2, "", said)
    watch = ConfigWatch(tmp_path, tmp_path / "garden.yaml", None, run=lambda _argv, _limit: ended)
    found = watch.look()
    assert isinstance(found, Refused)
    assert found.complaints == ("garden.yaml: no such file",)
