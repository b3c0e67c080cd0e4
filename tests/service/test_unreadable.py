"""garden.yaml or crops.yaml that is there and cannot be read: refused at once and named, never left out."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
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
    (no_rights, "Permission denied"),
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
    status, said = read(shed.garden, capsys)
    assert time.monotonic() < begin + 20.0  # a busy machine; a pipe would be waited for without end
    assert status == 2
    first = said.splitlines()[0]
    assert str(path) in first
    assert words in first


def read(garden: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Exit status and words of the reader. Root may read everything, so it goes without that right."""
    words = ["read", "--config", str(garden)]
    if os.geteuid() != 0:
        return job.main(words), capsys.readouterr().err
    bare = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all", "--"]
    code = f"import sys; from scheduler.service import job; sys.exit(job.main({words!r}))"
    done = subprocess.run(
        [*bare, sys.executable, "-P", "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stderr


def link(path: Path) -> None:
    (path.parent / "elsewhere").write_text("not ours\n")
    path.symlink_to(path.parent / "elsewhere")


def nested(path: Path) -> None:
    path.write_text("[" * 100_000)


OWN_FILES = ("openings.trace", "valves.json", "today.json", "in-use.json", "valves.quiet")


@pytest.mark.parametrize("make", [pipe, link, dangling, nested])
def test_what_stands_in_the_place_of_its_own_files_is_replaced(
    make: Callable[[Path], None], make_shed: Callable[..., Shed]
) -> None:
    """Nothing waits for a pipe, nothing is written through a link, and the day goes on."""
    shed = make_shed()
    shed.plan([("a", 1, 6.0, 2.0)])
    for name in OWN_FILES:
        make(shed.data / name)
    shed.start(quick=True)
    shed.until(lambda: shed.rows("SELECT 1 FROM applied WHERE outcome = 'done'"), 30, "the run")
    if make is link:
        assert (shed.data / "elsewhere").read_text() == "not ours\n"
    for name in OWN_FILES[:-1]:
        shed.until(lambda name=name: stat.S_ISREG((shed.data / name).lstat().st_mode), 10, name)  # type: ignore[misc]
    shed.kill(signal.SIGTERM)
    assert stat.S_ISREG((shed.data / OWN_FILES[-1]).lstat().st_mode)


def test_a_hint_is_no_second_complaint(tmp_path: Path) -> None:
    said = "garden.yaml: no such file\n  hint: `rowwater init` writes one\n"
    ended = Ended(2, "", said)
    watch = ConfigWatch(tmp_path, tmp_path / "garden.yaml", None, run=lambda _argv, _limit: ended)
    found = watch.look()
    assert isinstance(found, Refused)
    assert found.complaints == ("garden.yaml: no such file",)
