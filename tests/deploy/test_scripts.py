"""Installing, upgrading, removing in a folder of its own; a backup while the records are being written."""

from __future__ import annotations

import atexit
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from long_run import LONG

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
SCRIPTS = sorted(DEPLOY.glob("*.sh"))


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_bash_can_read_it(script: Path):
    subprocess.run(["bash", "-n", str(script)], check=True)
    assert os.access(script, os.X_OK) or script.name == "common.sh"


@pytest.mark.skipif(not shutil.which("shellcheck"), reason="no shellcheck on this machine")
def test_shellcheck_has_nothing_to_say():
    said = subprocess.run(
        ["shellcheck", "-x", *map(str, SCRIPTS)], capture_output=True, text=True, cwd=ROOT, timeout=120
    )
    assert said.returncode == 0, said.stdout


# --- install, upgrade, uninstall ---

PROGRAM = """\
import sys
def main():
    if sys.argv[1:] == ["selfcheck"]:
        print("\\nExample 18: ET0 3.88 4.31\\n411 figures")
        sys.exit({selfcheck})
    if sys.argv[1:] == ["serve"]:
        {serve}
    print("rowwater, version {version}")
    sys.exit({status})
"""


def package(
    folder: Path, version: str, status: int = 0, selfcheck: int = 0, serve: str = "sys.exit(0)"
) -> Path:
    """A wheel under our name that needs no index: the scripts are what is tested."""
    folder.mkdir(exist_ok=True)
    path = folder / f"rowwater-{version}-py3-none-any.whl"
    info = f"rowwater-{version}.dist-info"
    extras = "Provides-Extra: mqtt\nProvides-Extra: gpio\n"
    metadata = f"Metadata-Version: 2.1\nName: rowwater\nVersion: {version}\n{extras}"
    files = {
        "stub_rowwater.py": PROGRAM.format(version=version, status=status, selfcheck=selfcheck, serve=serve),
        f"{info}/METADATA": metadata,
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": "[console_scripts]\nrowwater = stub_rowwater:main\n",
    }
    record = "".join(f"{name},,\n" for name in (*files, f"{info}/RECORD"))
    with zipfile.ZipFile(path, "w") as wheel:
        for name, text in {**files, f"{info}/RECORD": record}.items():
            wheel.writestr(name, text)
    return path


EMPTY_ENVIRONMENTS = """\
#!/bin/sh
# The first empty environment is made as on any machine, the next ones are copies of it, which is quick.
if [ "$1 $2" = "-m venv" ]; then
  [ -d "{template}" ] || "{python}" -m venv "{template}" || exit
  exec cp -aT "{template}" "$3"
fi
exec "{python}" "$@"
"""


QUICK = Path(tempfile.mkdtemp(prefix="rowwater-quick-"))
atexit.register(shutil.rmtree, QUICK, ignore_errors=True)


def command_path() -> str:
    """PATH with the Python under test first; in a normal run, one that makes empty environments quickly."""
    python = Path(sys.base_prefix) / "bin"
    if LONG:
        return f"{python}{os.pathsep}{os.environ['PATH']}"
    quick = QUICK
    quick.mkdir(exist_ok=True)
    (quick / "python3").write_text(
        EMPTY_ENVIRONMENTS.format(template=quick / "empty", python=python / "python3")
    )
    (quick / "python3").chmod(0o755)
    return f"{quick}{os.pathsep}{python}{os.pathsep}{os.environ['PATH']}"


def run(root: Path, script: str, *args: str, status: int = 0) -> str:
    environ = os.environ | {
        "DESTDIR": str(root),
        "PIP_NO_INDEX": "1",
        "PYTHONDONTWRITEBYTECODE": "1",  # quicker
        "ROWWATER_WATCH_S": "1",
        "PATH": command_path(),
    }
    heard = ["env", "--default-signal=HUP"]  # where the tests run under nohup no shell could trap it
    done = subprocess.run(
        [*heard, "bash", str(DEPLOY / script), *args], env=environ, capture_output=True, text=True,
        timeout=300, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout + done.stderr


def in_use(root: Path) -> str:
    return subprocess.run(
        [str(root / "opt/rowwater/current/bin/rowwater")], capture_output=True, text=True, check=True
    ).stdout.strip()


def versions(root: Path) -> list[str]:
    return sorted(path.name for path in (root / "opt/rowwater").iterdir() if path.name.endswith("Z"))


def test_the_whole_way_in_a_scratch_root(tmp_path: Path):
    """In one test, because each step stands on the one before."""
    root = tmp_path / "root"
    run(root, "install.sh", str(package(tmp_path / "1", "1.0")))
    assert in_use(root) == "rowwater, version 1.0"
    unit = root / "etc/systemd/system/rowwater.service"
    assert unit.read_bytes() == (DEPLOY / "rowwater.service").read_bytes()
    assert (root / "usr/local/bin/rowwater").readlink() == Path("/opt/rowwater/current/bin/rowwater")
    assert (root / "opt/rowwater/current").readlink().name == versions(root)[0], "it moves with its folder"

    garden = root / "etc/rowwater/garden.yaml"
    garden.write_text("garden: mine\n")
    database = root / "var/lib/rowwater/rowwater.db"
    with closing(sqlite3.connect(database)) as records:
        records.execute("create table water (mm)")
        records.commit()

    said = run(root, "upgrade.sh", str(package(tmp_path / "2", "2.0")))
    assert in_use(root) == "rowwater, version 2.0"
    assert len(versions(root)) == 2, "the one before stays beside it"
    assert "The old version is kept in" in said
    assert "selfcheck: 411 figures" in said
    (backup,) = (root / "var/backups/rowwater").iterdir()
    assert (backup / "garden.yaml").read_text() == "garden: mine\n"
    assert (backup / "rowwater.db").exists()

    before = versions(root)
    said = run(root, "upgrade.sh", str(package(tmp_path / "3", "3.0", status=1)), status=1)
    assert "it could not be installed; what was there before is as it was" in said
    assert in_use(root) == "rowwater, version 2.0"
    assert versions(root) == before, "nothing is left of it"

    wrong = package(tmp_path / "3a", "3.1", selfcheck=1)
    for script in ("upgrade.sh", "install.sh"):
        said = run(root, script, str(wrong), status=1)
        assert "Example 18: ET0 3.88 4.31" in said
        assert "the selfcheck of the new version fails" in said
        assert in_use(root) == "rowwater, version 2.0"
        assert versions(root) == before, "it was taken away"
        assert "Upgraded" not in said

    run(root, "install.sh", str(package(tmp_path / "4", "4.0")))
    assert in_use(root) == "rowwater, version 4.0"
    assert len(versions(root)) == 2, "only the one before is kept"
    assert garden.read_text() == "garden: mine\n"

    said = run(root, "uninstall.sh", "--purge", status=1)
    assert "--purge asks on a terminal, and there is none: nothing was done" in said
    run(root, "uninstall.sh", "--all", status=1)
    assert in_use(root) == "rowwater, version 4.0"

    run(root, "uninstall.sh")
    assert not (root / "opt/rowwater").exists()
    assert not unit.exists()
    assert not (root / "usr/local/bin/rowwater").is_symlink()
    assert garden.read_text() == "garden: mine\n"
    assert database.exists(), "records stay"


def test_a_version_from_before_the_selfcheck_may_be_gone_back_to(ran: Path, tmp_path: Path):
    """Its command line knows no such word, and says so with status 2."""
    said = run(ran, "upgrade.sh", str(package(tmp_path / "0", "0.9", selfcheck=2)))
    assert "This version has no selfcheck." in said
    assert in_use(ran) == "rowwater, version 0.9"


def test_the_service_runs_on_while_the_new_version_checks_itself():
    """Nothing is stopped before: a version that computes wrongly never costs a run."""
    text = (DEPLOY / "upgrade.sh").read_text()
    assert text.index("lay_version") < text.index("need_selfcheck") < text.index("\nsystem stop")


def test_a_package_is_a_file_or_folder_here_and_never_a_name_of_the_index(tmp_path: Path):
    """pip would fetch whatever bears that name, and run it as root."""
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "src").mkdir()
    assert "no such wheel or folder: rowwater" in run(root, "install.sh", "rowwater", status=1)
    said = run(root, "install.sh", os.path.relpath(tmp_path / "src"), status=1)
    assert str(tmp_path / "src") in said, "the whole path is handed on"
    assert not (root / "opt/rowwater/current").is_symlink()


def test_no_upgrade_of_nothing(tmp_path: Path):
    root = tmp_path / "root"
    root.mkdir()
    assert "nothing is installed: deploy/install.sh" in run(root, "upgrade.sh", "x.whl", status=1)
    assert list(root.iterdir()) == []


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may become somebody else")
@pytest.mark.parametrize("script", ["install.sh", "upgrade.sh", "uninstall.sh", "restore.sh", "page.sh"])
def test_only_root_touches_the_system(script: str):
    environ = {key: value for key, value in os.environ.items() if key != "DESTDIR"}
    done = subprocess.run(
        ["bash", "-s"], input=(DEPLOY / "common.sh").read_text() + "\nneed_root\n",
        env=environ, user=65534, group=65534, extra_groups=[], cwd="/", capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr == "run it with sudo\n"
    text = (DEPLOY / script).read_text()
    begin = text.index("\nneed_root")
    assert all(begin < text.index(word) for word in ("system stop", "mkdir") if word in text)


# --- an upgrade that goes wrong, with a service that stands in for systemd's ---

SYSTEMCTL = """\
#!/bin/bash
# One service, whose state is a word in a file. `start` asks the version in use what becomes of it.
here="$(cd "$(dirname "$0")/../.." && pwd)"
echo "$*" >>"$here/asked"
state="$here/state"
case "$1 $2" in
  "show --property=ActiveState") sed 's/dying/active/' "$state" ;;
  "show --property=NRestarts") echo 0 ;;
  "is-active --quiet")
    [ "$(cat "$state")" = active ] ;;
  "start rowwater.service")
    "$here/opt/rowwater/current/bin/rowwater" serve; said=$?
    case $said in 0) echo active ;; 7) echo dying ;; *) echo failed ;; esac >"$state"
    [ $said = 0 ] || [ $said = 7 ] ;;
  "stop rowwater.service")
    echo inactive >"$state"
    [ ! -e "$here/hang-up" ] || { rm "$here/hang-up"; kill -HUP "$PPID"; } ;;
esac
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("installed")
    run(folder / "root", "install.sh", str(package(folder / "1", "1.0")))
    return folder / "root"


@pytest.fixture
def ran(tmp_path: Path, installed: Path) -> Path:
    """A scratch root with version 1.0 installed, records of revision 1, and its service running."""
    root = tmp_path / "root"
    subprocess.run(["cp", "-a", str(installed), str(root)], check=True)
    systemctl = root / "usr/bin/systemctl"
    systemctl.parent.mkdir(parents=True)
    systemctl.write_text(SYSTEMCTL)
    systemctl.chmod(0o755)
    (root / "state").write_text("active\n")
    with closing(sqlite3.connect(root / "var/lib/rowwater/rowwater.db")) as records:
        records.execute("create table alembic_version (version_num)")
        records.execute("insert into alembic_version values ('0001')")
        records.commit()
    return root


def state(root: Path) -> str:
    return (root / "state").read_text().strip()


def revision(database: Path) -> str:
    with closing(sqlite3.connect(database)) as records:
        return str(records.execute("select version_num from alembic_version").fetchone()[0])


def is_as_before(root: Path, before: list[str]) -> None:
    assert in_use(root) == "rowwater, version 1.0"
    assert state(root) == "active"
    assert versions(root) == before, "nothing is left of the new one"
    unit = root / "etc/systemd/system/rowwater.service"
    assert unit.read_bytes() == (DEPLOY / "rowwater.service").read_bytes()


def test_whatever_goes_wrong_the_old_version_runs_again(ran: Path, tmp_path: Path):
    """In one test, because each way leaves it as it was."""
    before = versions(ran)
    said = run(ran, "upgrade.sh", str(package(tmp_path / "2", "2.0", serve="sys.exit(1)")), status=1)
    assert "does not start" in said
    is_as_before(ran, before)

    said = run(ran, "upgrade.sh", str(package(tmp_path / "3", "3.0", serve="sys.exit(7)")), status=1)
    assert "does not stay up" in said
    assert "Upgraded" not in said
    is_as_before(ran, before)

    (ran / "hang-up").touch()
    said = run(ran, "upgrade.sh", str(package(tmp_path / "4", "4.0")), status=1)
    assert "interrupted: back to the old version" in said
    is_as_before(ran, before)

    commands = ran / "usr/local/bin"
    (commands / "rowwater").unlink()
    commands.rmdir()
    commands.touch()  # a file where a folder should be: the command cannot be placed
    said = run(ran, "upgrade.sh", str(package(tmp_path / "5", "5.0")), status=1)
    assert "back to the old version" in said
    is_as_before(ran, before)


def test_going_back_brings_back_records_that_the_old_version_can_read(ran: Path, tmp_path: Path):
    database = ran / "var/lib/rowwater/rowwater.db"
    newer = (
        f"import sqlite3; c = sqlite3.connect({str(database)!r}); "
        "c.execute('update alembic_version set version_num = 9999'); c.commit(); sys.exit(7)"
    )
    said = run(ran, "upgrade.sh", str(package(tmp_path / "2", "2.0", serve=newer)), status=1)
    assert revision(database) == "0001"
    (aside,) = (ran / "var/backups/rowwater").glob("replaced-*")
    assert revision(aside / "rowwater.db") == "9999", "what the new version wrote is kept"
    assert f"is kept in {aside}" in said
    is_as_before(ran, versions(ran))


def test_from_a_crash_loop_in_a_folder_that_is_a_link_with_secrets_of_before(ran: Path, tmp_path: Path):
    """A service in a crash loop was meant to run; what is kept is kept; secrets go where only root is."""
    (ran / "state").write_text("activating\n")
    (ran / "opt/rowwater").rename(tmp_path / "elsewhere")
    (ran / "opt/rowwater").symlink_to(tmp_path / "elsewhere")
    before = versions(ran)
    secrets, earlier = ran / "etc/default/rowwater", ran / "etc/rowwater/environment"
    assert secrets.stat().st_mode & 0o777 == 0o600
    assert secrets.read_text() == ""
    earlier.write_text("RELAY_KEY=swordfish\n")

    said = run(ran, "upgrade.sh", str(package(tmp_path / "2", "2.0")))
    assert "did not run before" not in said
    assert (state(ran), in_use(ran)) == ("active", "rowwater, version 2.0")
    assert len(versions(ran)) == 2
    assert set(before) < set(versions(ran))
    assert secrets.read_text() == "RELAY_KEY=swordfish\n"
    assert secrets.stat().st_mode & 0o777 == 0o600
    assert not earlier.exists()
    assert "Secrets now stand in" in said


def test_a_service_that_was_stopped_stays_so(ran: Path, tmp_path: Path):
    (ran / "state").write_text("inactive\n")
    said = run(ran, "upgrade.sh", str(package(tmp_path / "2", "2.0")))
    assert "did not run before, and was not started" in said
    assert (state(ran), in_use(ran)) == ("inactive", "rowwater, version 2.0")


# --- backup ---

WRITER = """
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from scheduler.model import Note
from scheduler.store.store import Store

now = datetime(2026, 6, 1, tzinfo=UTC)
with Store.open(Path(sys.argv[1]), now=now) as store:
    for n in range(1_000_000):
        store.add_note(Note("chore", date(2026, 6, 1), now, None, {"n": n}))
        print(n, flush=True)
"""


@contextmanager
def writing(database: Path) -> Iterator[subprocess.Popen[str]]:
    """The program's own store, one acknowledged row after the other."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(database)], stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    ) as writer:  # fmt: skip
        try:
            yield writer
        finally:
            writer.kill()


def backup(data: Path, to: Path, *, status: int = 0, config: Path | None = None) -> str:
    environ = os.environ | {
        "ROWWATER_DATA": str(data),
        "ROWWATER_CONFIG": str(config or data / "garden.yaml"),
    }
    done = subprocess.run(
        ["bash", str(DEPLOY / "backup.sh"), str(to)], env=environ, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout.strip() or done.stderr


def rows(database: Path) -> list[int]:
    with closing(sqlite3.connect(database)) as copy:
        assert copy.execute("pragma integrity_check").fetchone() == ("ok",)
        return [row[0] for row in copy.execute("select json_extract(details, '$.n') from notes order by 1")]


def test_a_backup_of_records_that_are_being_written(tmp_path: Path):
    """Every row that was acknowledged before it began, and none but whole ones."""
    data = tmp_path / "data"
    data.mkdir()
    with writing(data / "rowwater.db") as writer:
        assert writer.stdout is not None
        last = -1
        while last < 40:
            last = int(writer.stdout.readline())
        assert (data / "rowwater.db-wal").stat().st_size > 0, "the newest rows are not in the main file"
        made = Path(backup(data, tmp_path / "to"))
        found = rows(made / "rowwater.db")
        while int(writer.stdout.readline()) <= len(found):
            pass  # it goes on, beyond what the backup holds
    assert sorted(path.name for path in made.iterdir()) == ["rowwater.db"], "one file, whole by itself"
    assert found == list(range(len(found)))
    assert len(found) > last


def test_settings_and_the_version_in_use_go_with_it(tmp_path: Path):
    data = tmp_path / "data"
    (data / "in-use-3").mkdir(parents=True)
    for name in ("garden.yaml", "crops.yaml", "in-use.json", "valves.json", "in-use-3/garden.yaml"):
        (data / name).write_text(name)
    made = Path(backup(data, tmp_path / "to"))
    assert [path.name for path in (tmp_path / "to").iterdir()] == [made.name]
    names = sorted(str(path.relative_to(made)) for path in made.rglob("*") if path.is_file())
    assert names == ["crops.yaml", "garden.yaml", "in-use-3/garden.yaml", "in-use.json", "valves.json"]
    assert made.stat().st_mode & 0o077 == 0, "for the owner only: an address may hold a secret"


def test_only_the_newest_are_kept(tmp_path: Path):
    data, to = tmp_path / "data", tmp_path / "to"
    data.mkdir()
    for day in range(1, 21):
        (to / f"202601{day:02}T000000Z").mkdir(parents=True)
    foreign = ["mine", "photosZ", "20260101Z", "20260101T000000Z.tar", "oldZ.part"]
    for name in foreign:
        (to / name).mkdir()
        os.utime(to / name, (0, 0))
    made = Path(backup(data, to))
    assert sorted(path.name for path in to.iterdir()) == sorted(
        [*(f"202601{day:02}T000000Z" for day in range(8, 21)), made.name, *foreign]
    )


def test_what_is_no_database_makes_no_backup(tmp_path: Path):
    data, to = tmp_path / "data", tmp_path / "to"
    data.mkdir()
    (data / "rowwater.db").write_bytes(b"noise" * 4000)
    assert "file is not a database" in backup(data, to, status=1)
    assert list(to.iterdir()) == [], "nothing that looks like one is left"
