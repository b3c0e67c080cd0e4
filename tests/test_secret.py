"""Where a secret is found: as every part of the program that needs one finds it."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from scheduler.secret import secret


def test_the_home_folder_is_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "key").write_text("drip drop\n")
    assert secret("~/key", {}) == "drip drop"


def test_credentials_of_the_service_manager_come_first_for_a_bare_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """systemd.exec(5): $CREDENTIALS_DIRECTORY."""
    (tmp_path / "handed").mkdir()
    (tmp_path / "handed" / "broker").write_text("handed over\r\n")
    (tmp_path / "broker").write_text("beside")
    (tmp_path / "other").write_text("beside")
    monkeypatch.chdir(tmp_path)
    environ = {"CREDENTIALS_DIRECTORY": str(tmp_path / "handed")}
    assert secret("broker", environ) == "handed over"
    assert secret("broker", {}) == "beside"
    assert secret("other", environ) == "beside"  # not among them
    assert secret(str(tmp_path / "broker"), environ) == "beside"  # it was named whole


def test_only_the_end_of_the_line_is_dropped(tmp_path: Path) -> None:
    (tmp_path / "key").write_bytes(b" two words \n\n")
    assert secret(str(tmp_path / "key"), {}) == " two words "


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (os.mkfifo, "a pipe or a device, not a file"),
        (os.mkdir, "a folder, not a file"),
        (lambda path: path.symlink_to("/dev/zero"), "a pipe or a device, not a file"),
    ],
)
def test_what_is_no_file_is_told_at_once(tmp_path: Path, make: Callable[[Path], object], why: str) -> None:
    make(tmp_path / "key")
    with pytest.raises(OSError, match=why):
        secret(str(tmp_path / "key"), {})


def test_a_file_that_is_missing_or_no_text_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="none"):
        secret(str(tmp_path / "none"), {})
    (tmp_path / "key").write_bytes(b"\xff\xfe")
    with pytest.raises(ValueError, match="utf-8"):
        secret(str(tmp_path / "key"), {})
