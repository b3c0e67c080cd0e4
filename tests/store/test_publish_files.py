"""Published files are replaced whole, or not at all."""

from __future__ import annotations

import json
import math
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.publish.files import read_today, write_schedule_ics, write_schedule_json, write_today

PAGE = {
    "date": "2026-06-12",
    "made_at": "2026-06-12T04:00:00-04:00",
    "garden": "Creekside – größer",
    "runs": [],
}


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


# --- writing ---


def test_text_and_bytes_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "schedule.ics"
    write_atomic(path, "ä\r\nb\n")
    assert path.read_bytes() == b"\xc3\xa4\r\nb\n"
    write_atomic(path, b"\x00\r\n")
    assert path.read_bytes() == b"\x00\r\n"
    assert names(tmp_path) == ["schedule.ics"]


def test_mode_is_kept_and_the_umask_rules_a_new_file(tmp_path: Path) -> None:
    path = tmp_path / "today.json"
    earlier = os.umask(0o027)
    try:
        write_atomic(path, "1")
        assert path.stat().st_mode & 0o777 == 0o640
        path.chmod(0o604)
        write_atomic(path, "2")
        assert path.stat().st_mode & 0o777 == 0o604
    finally:
        os.umask(earlier)


def test_a_reader_that_holds_the_old_file_keeps_it(tmp_path: Path) -> None:
    path = tmp_path / "today.json"
    write_atomic(path, "old")
    with path.open() as reader:
        write_atomic(path, "new")
        assert reader.read() == "old"
    assert path.read_text() == "new"


def test_a_write_that_fails_half_way_leaves_the_old_file(tmp_path: Path) -> None:
    """The system's limit on file size cuts the write off in the middle."""
    path = tmp_path / "today.json"
    write_atomic(path, "old")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, hard))
    try:
        with pytest.raises(CouldNot, match="could not be written") as caught:
            write_atomic(path, "x" * 3_000_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    assert caught.value.hint is not None
    assert path.read_text() == "old"
    assert names(tmp_path) == ["today.json"]


def test_a_full_disk_is_named(tmp_path: Path) -> None:
    """Through the device that answers every write with "no space left"."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    code = (
        "import os, sys, pathlib\n"
        "from scheduler import disk\n"
        "from scheduler.errors import CouldNot\n"
        "real = os.open\n"
        "def to_full(path, flags, *rest):\n"
        "    handle = real(path, flags, *rest)\n"
        "    if flags & os.O_CREAT:\n"
        "        os.dup2(real('/dev/full', os.O_WRONLY), handle)\n"
        "    return handle\n"
        "os.open = to_full\n"
        "try:\n"
        "    disk.write_atomic(pathlib.Path(sys.argv[1]), 'new')\n"
        "except CouldNot as error:\n"
        "    print(error.text)\n"
    )
    path = tmp_path / "today.json"
    path.write_text("old")
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert "no room left on the disk" in done.stdout
    assert path.read_text() == "old"
    assert names(tmp_path) == ["today.json"]


def test_a_folder_in_the_way_is_told(tmp_path: Path) -> None:
    (tmp_path / "today.json").mkdir()
    with pytest.raises(CouldNot, match=r"today\.json could not be written"):
        write_today(tmp_path, PAGE)
    with pytest.raises(CouldNot, match="could not be written"):
        write_today(tmp_path / "nowhere", PAGE)
    assert names(tmp_path) == ["today.json"]


def test_text_that_is_no_text_touches_nothing(tmp_path: Path) -> None:
    write_today(tmp_path, PAGE)
    with pytest.raises(UnicodeEncodeError):
        write_today(tmp_path, {"garden": "\ud800"})
    assert read_today(tmp_path) == PAGE
    assert names(tmp_path) == ["today.json"]


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_number_that_is_none_is_not_published(tmp_path: Path, number: float) -> None:
    """JSON has neither NaN nor infinity (RFC 8259, section 6); Python would write them."""
    write_today(tmp_path, PAGE)
    with pytest.raises(ValueError, match="JSON"):
        write_today(tmp_path, PAGE | {"minutes": number})
    with pytest.raises(ValueError, match="JSON"):
        write_schedule_json(tmp_path, {"runs": [{"minutes": number}]})
    assert read_today(tmp_path) == PAGE
    assert names(tmp_path) == ["today.json"]


def test_a_kill_at_any_moment_leaves_a_whole_page(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib\n"
        "from scheduler.publish.files import write_today\n"
        "n = 0\n"
        "while True:\n"
        "    n += 1\n"
        "    write_today(pathlib.Path(sys.argv[1]), {'n': n, 'filler': ['x' * 50] * 2000, 'end': n})\n"
        "    print(n, flush=True)\n"
    )
    for _ in range(5):
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        acknowledged = [int(child.stdout.readline()) for _ in range(5)][-1]
        child.kill()
        child.communicate()
        page = read_today(tmp_path)
        assert page is not None
        assert page["n"] == page["end"] >= acknowledged


def test_the_three_files_have_the_names_others_rely_on(tmp_path: Path) -> None:
    write_today(tmp_path, PAGE)
    write_schedule_json(tmp_path, {"date": "2026-06-12", "runs": []})
    write_schedule_ics(tmp_path, b"BEGIN:VCALENDAR\r\n")
    assert names(tmp_path) == ["schedule.ics", "schedule.json", "today.json"]
    assert json.loads((tmp_path / "schedule.json").read_text()) == {"date": "2026-06-12", "runs": []}
    assert (tmp_path / "schedule.ics").read_bytes() == b"BEGIN:VCALENDAR\r\n"
    assert "größer" in (tmp_path / "today.json").read_text(encoding="utf-8")


# --- reading ---


def test_the_page_comes_back(tmp_path: Path) -> None:
    assert read_today(tmp_path) is None
    assert read_today(tmp_path / "nowhere") is None
    write_today(tmp_path, PAGE)
    assert read_today(tmp_path) == PAGE


@pytest.mark.parametrize(
    "content",
    [
        b"", b"{", b'{"date": "2026-06-12"', b"[]", b"null", b'"page"', b"\xff\xfe{}", b'{"minutes": NaN}',
        b'{"minutes": -Infinity}', b"[" * 100_000, b"\x00" * 4096,
    ],
)  # fmt: skip
def test_a_broken_page_is_told_with_the_way_out(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "today.json").write_bytes(content)
    with pytest.raises(CouldNot, match=r"today\.json is broken") as caught:
        read_today(tmp_path)
    assert caught.value.hint is not None
    assert "rowwater day" in caught.value.hint


def test_a_page_that_is_no_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "today.json").mkdir()
    with pytest.raises(CouldNot, match="it is no file"):
        read_today(tmp_path)


def test_reading_the_page_loads_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from scheduler.publish.files import read_today\n"
        "heavy = ('icalendar', 'sqlalchemy', 'alembic', 'numpy', 'pandas', 'pyet', 'requests', 'zoneinfo')\n"
        "print([name for name in heavy if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
