"""What the store does with whatever it finds where its database should be."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import zlib
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from store.samples import DAY, NOW, keep_a_season, names, season_weather, water

from scheduler.errors import CouldNot
from scheduler.store import files
from scheduler.store.store import Store

ASIDE = "rowwater.db.broken-20260612T040000"


def assert_begun_anew(path: Path, *told: str) -> None:
    """A new database works, and everybody can tell that it took the place of a lost one."""
    with Store.open(path, now=NOW) as store:
        assert store.replaced
        (notice,) = store.notices
        assert "counts as watered until told otherwise" in notice
        for words in told:
            assert words in notice
        assert store.first_day is None
        assert store.replaced_at == NOW
        assert store.replaced_on(DAY)
        assert store.applied(DAY, DAY) == []
        store.begin(DAY)
        store.add_applied(water())
    with Store.open(path, now=NOW + timedelta(hours=2)) as store:
        assert not store.replaced
        assert store.notices == ()
        assert store.replaced_on(DAY)
        assert not store.replaced_on(DAY + timedelta(days=1))
        assert store.applied(DAY, DAY) == [water()]


# --- a first start, and the next one ---


def test_a_first_start_makes_folder_and_file(path: Path) -> None:
    with Store.open(path, now=NOW) as store:
        assert (store.notices, store.replaced, store.first_day, store.replaced_at) == ((), False, None, None)
        assert not store.replaced_on(DAY)
    assert names(path.parent) == ["rowwater.db"]


def test_opening_again_finds_everything(path: Path) -> None:
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        assert (store.notices, store.replaced) == ((), False)
        assert len(store.applied(DAY - timedelta(days=60), DAY)) == 50
        assert len(store.weather(DAY - timedelta(days=60), DAY + timedelta(days=60))) == len(season_weather())


def test_a_folder_named_with_any_character(tmp_path: Path) -> None:
    path = tmp_path / "a b%20?c#d'é" / "row%water?.db"
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        assert len(store.applied(DAY, DAY)) == 1
    assert names(path.parent) == ["row%water?.db"]


def test_a_relative_path_survives_a_change_of_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Store.open(Path("rowwater.db"), now=NOW) as store:
        (tmp_path / "elsewhere").mkdir()
        monkeypatch.chdir(tmp_path / "elsewhere")
        store.add_applied(water())
        assert store.applied(DAY, DAY) == [water()]
    assert names(tmp_path) == ["elsewhere", "rowwater.db"]


def test_the_morning_loads_no_alembic_and_no_orm(path: Path) -> None:
    keep_a_season(path)
    code = (
        "import sys, pathlib, datetime\n"
        "from scheduler.store.store import Store\n"
        "now = datetime.datetime(2026, 6, 12, 8, tzinfo=datetime.UTC)\n"
        "with Store.open(pathlib.Path(sys.argv[1]), now=now) as store:\n"
        "    assert store.first_day\n"
        "heavy = ('alembic', 'sqlalchemy', 'numpy', 'pandas', 'requests', 'icalendar')\n"
        "print([name for name in heavy if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
    assert done.stderr == ""


def test_an_empty_file_at_a_first_start_is_a_first_start(path: Path) -> None:
    """What a first start leaves that was cut off before it wrote anything."""
    path.parent.mkdir()
    path.touch()
    with Store.open(path, now=NOW) as store:
        assert (store.notices, store.replaced) == ((), False)
    assert names(path.parent) == ["rowwater.db"]


def test_a_first_start_cut_off_after_the_header_goes_on(path: Path) -> None:
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA journal_mode = WAL")
    assert path.stat().st_size > 0
    with Store.open(path, now=NOW) as store:
        assert (store.notices, store.replaced) == ((), False)


def test_two_first_starts_at_once_share_one_database(path: Path) -> None:
    code = (
        "import sys, pathlib, datetime\n"
        "from scheduler.store.opening import Setup\n"
        "from scheduler.store.store import Store\n"
        "sys.stdin.readline()\n"
        "now = datetime.datetime(2026, 6, 12, 8, tzinfo=datetime.UTC)\n"
        "setup = Setup(patience_s=50)\n"  # the other one makes a database meanwhile, on a busy machine
        "with Store.open(pathlib.Path(sys.argv[1]), now=now, setup=setup) as store:\n"
        "    store.begin(datetime.date(2026, 6, 12))\n"
        "    print(store.replaced, store.notices)\n"
    )
    children = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    assert [child.communicate(timeout=60)[0] for child in children] == ["False ()\n"] * 2
    assert [child.returncode for child in children] == [0, 0]
    with Store.open(path, now=NOW) as store:
        assert store.first_day == DAY
    assert names(path.parent) == ["rowwater.db"]


# --- damaged, or gone ---


def spoil_header(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"not a database!!")


def spoil_front(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(random.Random(18).randbytes(8192))


def spoil_middle(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2 // 4096 * 4096)
        file.write(random.Random(18).randbytes(8192))


def all_noise(path: Path) -> None:
    path.write_bytes(random.Random(18).randbytes(8192))


def cut_in_half(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2 + 100)


def cut_in_the_header(path: Path) -> None:
    os.truncate(path, 60)


def unknown_format(path: Path) -> None:
    """Bytes 44-47, the schema format number, are 1 to 4: https://sqlite.org/fileformat2.html section 1.3.8"""
    with path.open("r+b") as file:
        file.seek(44)
        file.write(bytes([0, 0, 0, 99]))


def flip_a_day(path: Path) -> None:
    """No page is malformed by it: only the checks of the schema can tell."""
    content = path.read_bytes()
    assert b"2026-06-12" in content
    path.write_bytes(content.replace(b"2026-06-12", b"2026-0f-12"))


def text_for_a_database(path: Path) -> None:
    path.write_text("garden: Creekside plot\n" * 50)


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_header, spoil_front, spoil_middle, all_noise, cut_in_half, cut_in_the_header, unknown_format,
        flip_a_day, text_for_a_database,
    ],
)  # fmt: skip
def test_a_damaged_file_is_set_aside_as_it_was(path: Path, spoil: object) -> None:
    keep_a_season(path)
    assert callable(spoil)
    spoil(path)
    spoiled = path.read_bytes()
    assert_begun_anew(path, ASIDE)
    assert names(path.parent) == ["rowwater.db", ASIDE]
    assert path.with_name(ASIDE).read_bytes() == spoiled


def test_the_log_goes_aside_with_its_file(path: Path) -> None:
    """A program that was killed leaves rows in the write-ahead log: whoever mends the file wants both."""
    keep_a_season(path)
    spoil_header(path)
    for ending in ("-wal", "-shm", "-journal"):
        path.with_name(path.name + ending).write_bytes(b"left behind" + ending.encode())
    assert_begun_anew(path, ASIDE)
    kept = {name for name in names(path.parent) if name.startswith(ASIDE)}
    assert kept == {ASIDE, ASIDE + "-wal", ASIDE + "-shm", ASIDE + "-journal"}
    assert path.with_name(ASIDE + "-wal").read_bytes() == b"left behind-wal"


def test_a_log_that_mends_its_file_does(path: Path, tmp_path: Path) -> None:
    """The log holds whole pages, here the first too: a power cut while it is copied back loses nothing."""
    cut = tmp_path / "cut" / "rowwater.db"
    cut.parent.mkdir()
    with Store.open(path, now=NOW) as store:
        with store.writing() as connection:
            connection.execute("PRAGMA user_version = 1")  # kept on the first page
        store.add_applied(water())
        for ending in ("", "-wal"):
            shutil.copyfile(f"{path}{ending}", f"{cut}{ending}")
    spoil_header(cut)
    with Store.open(cut, now=NOW) as store:
        assert not store.replaced
        assert store.applied(DAY, DAY) == [water()]
    assert names(cut.parent) == ["rowwater.db"]


def test_a_folder_in_its_place(path: Path) -> None:
    path.mkdir(parents=True)
    (path / "note.txt").write_text("mine")
    assert_begun_anew(path, "is a folder", ASIDE)
    assert (path.with_name(ASIDE) / "note.txt").read_text() == "mine"


def test_a_pipe_in_its_place_does_not_hang(path: Path) -> None:
    path.parent.mkdir()
    os.mkfifo(path)
    assert_begun_anew(path, "is not a file", ASIDE)


@pytest.mark.parametrize("trace", ["today.json", "schedule.json", "schedule.ics", "rowwater.db.before-0001"])
@pytest.mark.parametrize("how", ["deleted", "emptied", "without tables"])
def test_a_file_that_lost_everything(path: Path, trace: str, how: str) -> None:
    """Beside the traces of an earlier life no file, or one that holds nothing, is no first start."""
    keep_a_season(path)
    path.with_name(trace).write_text("{}")
    path.unlink()
    if how == "emptied":
        path.touch()
    elif how == "without tables":
        with closing(sqlite3.connect(path)) as plain:
            plain.execute("PRAGMA user_version = 1")
    assert_begun_anew(path, "is gone" if how == "deleted" else "is empty")
    assert (ASIDE in names(path.parent)) == (how != "deleted")


def test_a_log_without_its_file_is_kept(path: Path) -> None:
    """SQLite throws a log away when its file is empty: https://sqlite.org/walformat.html"""
    path.parent.mkdir()
    path.with_name("rowwater.db-wal").write_bytes(b"rows nobody has read yet")
    assert_begun_anew(path, "is gone", ASIDE)
    assert path.with_name(ASIDE + "-wal").read_bytes() == b"rows nobody has read yet"


def test_lost_tables_are_damage(path: Path) -> None:
    keep_a_season(path)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("DROP TABLE applied")
    assert_begun_anew(path, "no applied", ASIDE)


def test_two_losses_in_one_second_keep_both_files(path: Path) -> None:
    for content in ("first", "second", "third"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(content)
        with Store.open(path, now=NOW) as store:
            assert store.replaced
    kept = [path.with_name(ASIDE + ending).read_text() for ending in ("", "-2", "-3")]
    assert kept == ["first", "second", "third"]


def test_deleted_while_in_use_is_told_and_not_written_into_nothing(path: Path) -> None:
    """An open file lives on without a name: rows written to it would be acknowledged and gone."""
    with Store.open(path, now=NOW) as store:
        store.add_applied(water())
        path.with_name("today.json").write_text("{}")
        path.unlink()
        with pytest.raises(CouldNot, match="deleted or replaced"):
            store.add_applied(water())
        with pytest.raises(CouldNot, match="deleted or replaced"):
            store.applied(DAY, DAY)
        assert_begun_anew(path, "is gone")
        with pytest.raises(CouldNot, match="deleted or replaced"):
            store.add_applied(water())


def test_damaged_while_in_use(path: Path) -> None:
    """Told as damage, not as a traceback; the next opening sets the file aside."""
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        with path.open("r+b") as file:
            file.seek(4096)
            file.write(random.Random(18).randbytes(path.stat().st_size - 4096))
        with pytest.raises(CouldNot, match="damaged") as caught:
            store.weather(DAY - timedelta(days=60), DAY + timedelta(days=60))
        assert caught.value.hint is not None
        assert "set aside" in caught.value.hint
    assert_begun_anew(path, ASIDE)


# --- looked through once a day ---


def looked_through(path: Path, monkeypatch: pytest.MonkeyPatch, **opening: Any) -> bool:
    """Whether an opening reads the whole file."""
    seen: list[bool] = []
    look = files.look

    def watched(*arguments: Any, check: bool) -> files.State:
        seen.append(check)
        return look(*arguments, check=check)

    with monkeypatch.context() as patched:
        patched.setattr(files, "look", watched)
        Store.open(path, **opening).close()
    return any(seen)


def test_a_file_found_whole_is_not_looked_through_at_every_command(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_a_season(path)
    assert looked_through(path, monkeypatch, now=NOW)
    assert not looked_through(path, monkeypatch, now=NOW)
    assert not looked_through(path, monkeypatch, now=NOW + timedelta(hours=19))
    assert looked_through(path, monkeypatch, now=NOW + timedelta(hours=20))
    assert looked_through(path, monkeypatch, now=NOW)  # the mark is of a time to come: a clock was wrong
    assert looked_through(path, monkeypatch, now=NOW, check=True)  # as the service does at its start


@pytest.mark.parametrize("mark", ["", "yesterday 7", "2026-06-12T04:00:00 1", "2026-06-12T08:00:00+00:00 1"])
def test_a_mark_that_is_torn_or_of_another_file_does_not_count(
    path: Path, mark: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_a_season(path)
    path.with_name("rowwater.db.checked").write_text(mark)
    assert looked_through(path, monkeypatch, now=NOW)
    assert not looked_through(path, monkeypatch, now=NOW)


def spoil_the_plan(path: Path) -> None:
    """A bit flips in the packed page: no check of SQLite can tell, the checksum of the stream does."""
    content = bytearray(path.read_bytes())
    place = content.index(zlib.compress(b'{"page": "a"}', 9))
    content[place + 6] ^= 8
    path.write_bytes(content)


def flip_a_number(path: Path) -> None:
    """A date that is none."""
    content = path.read_bytes()
    path.write_bytes(content.replace(b"2026-06-12", b"2026-0f-12"))


@pytest.mark.parametrize(
    ("spoil", "use"),
    [
        (spoil_middle, lambda store: store.weather(DAY - timedelta(days=60), DAY + timedelta(days=60))),
        (spoil_the_plan, lambda store: store.plan(DAY)),
        (flip_a_number, lambda store: store.notes()),
    ],
)
def test_damage_since_the_last_check_is_met_in_use_and_set_aside_by_the_next_command(
    path: Path, spoil: Callable[[Path], None], use: Callable[[Store], object]
) -> None:
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        store.add_plan(DAY, NOW, "digest", {"page": "a"}, {})
    with Store.open(path, now=NOW) as store:
        spoil(path)
        with pytest.raises(CouldNot, match="damaged|cannot be read"):
            use(store)
    assert_begun_anew(path, ASIDE)


def test_an_old_plan_that_cannot_be_read_costs_no_database(path: Path) -> None:
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        store.add_plan(DAY, NOW, "digest", {"page": "a"}, {})
        for later in range(1, 40):
            store.add_plan(DAY + timedelta(days=later), NOW, "digest", {}, {})
    spoil_the_plan(path)
    with Store.open(path, now=NOW + timedelta(days=40)) as store:
        assert store.notices == ()
        assert store.plan(DAY + timedelta(days=39))
        with pytest.raises(CouldNot, match="cannot be read"):
            store.plan(DAY)


# --- not ours to touch ---


def test_a_database_of_a_newer_version_is_left_alone(path: Path) -> None:
    keep_a_season(path)
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("UPDATE alembic_version SET version_num = '9999'")
    before = path.read_bytes()
    with pytest.raises(CouldNot, match="newer version .*9999"):
        Store.open(path, now=NOW)
    assert path.read_bytes() == before
    assert names(path.parent) == ["rowwater.db"]


@pytest.mark.parametrize("with_alembic", [False, True])
def test_a_database_of_another_program_is_left_alone(path: Path, with_alembic: bool) -> None:
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("CREATE TABLE bookmarks (url TEXT)")
        plain.execute("INSERT INTO bookmarks VALUES ('https://example.org')")
        if with_alembic:
            plain.execute("CREATE TABLE alembic_version (version_num TEXT)")
    before = path.read_bytes()
    with pytest.raises(CouldNot, match="another program"):
        Store.open(path, now=NOW)
    assert path.read_bytes() == before
    assert names(path.parent) == ["rowwater.db"]


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("mine")
    for path in (tmp_path / "data" / "rowwater.db", tmp_path / "data" / "deeper" / "rowwater.db"):
        with pytest.raises(CouldNot, match="a file where a folder should be") as caught:
            Store.open(path, now=NOW)
        assert caught.value.hint is not None
    assert (tmp_path / "data").read_text() == "mine"
