"""The built wheel, unpacked: every entry starts from it, with the source tree out of sight."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from zipfile import ZipFile

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from service.shed import Shed

ROOT = Path(__file__).parents[2]
BUILD = "import sys; from setuptools.build_meta import build_wheel; print(build_wheel(sys.argv[1]))"
EVERY_COMMAND = """
import click
from scheduler.cli.main import cli
for name in cli.list_commands(click.Context(cli)):
    assert cli.get_command(click.Context(cli), name) is not None, name
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with what an installation would have."""
    copy = tmp_path_factory.mktemp("copy")
    for name in ("scheduler", "config", "examples"):
        leave = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / name, copy / name, symlinks=True, ignore=leave)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, copy)
    built = tmp_path_factory.mktemp("built")
    subprocess.run(
        [sys.executable, "-P", "-c", BUILD, str(built)],
        cwd=copy,
        check=True,
        capture_output=True,
        timeout=120,
    )
    unpacked = tmp_path_factory.mktemp("unpacked")
    (file,) = built.glob("*.whl")
    with ZipFile(file) as packed:
        packed.extractall(unpacked)
    return unpacked


@pytest.fixture
def environ(wheel: Path) -> dict[str, str]:
    own = {name: value for name, value in os.environ.items() if not name.startswith("ROWWATER_")}
    return own | {"PYTHONPATH": str(wheel)}


@pytest.fixture
def shed(tmp_path: Path, environ: dict[str, str]) -> Iterator[Shed]:
    made = Shed(tmp_path / "shed")
    made.environ |= {"PYTHONPATH": environ["PYTHONPATH"]}
    yield made
    made.end()


def python(environ: dict[str, str], folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-P", *words], env=environ, cwd=folder, capture_output=True, text=True, timeout=60
    )


def test_nothing_is_left_out(wheel: Path) -> None:
    def files(root: Path) -> set[str]:
        found = [*root.glob("scheduler/**/*.py"), *root.glob("scheduler/config/*.*")]
        found += [root / "scheduler" / "example" / name for name in ("garden.yaml", "weather.csv")]
        return {str(path.relative_to(root)) for path in found}

    assert files(wheel) == files(ROOT)


def test_the_licence_goes_with_it(wheel: Path) -> None:
    (text,) = wheel.glob("*.dist-info/licenses/config/LICENSE")
    assert "Permission is hereby granted, free of charge" in text.read_text()
    (metadata,) = wheel.glob("*.dist-info/METADATA")
    assert "License-Expression: MIT" in metadata.read_text()


def test_every_requirement_is_locked_with_hashes() -> None:
    """deploy/install.sh takes these releases and no others; deploy/renew-locked.sh writes them."""
    locked = (ROOT / "config" / "locked.txt").read_text()
    entries = [entry for entry in locked.split("\n") if entry and not entry.startswith(("#", " "))]
    assert all("==" in entry and entry.endswith("\\") for entry in entries), "each with a hash below it"
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    extras = project["project"]["optional-dependencies"]
    wanted = [*project["project"]["dependencies"], *extras["mqtt"], *extras["gpio"]]
    wanted += project["build-system"]["requires"]
    for text in wanted:
        requirement = Requirement(text)
        found = [
            Requirement(e.rstrip(" \\"))
            for e in entries
            if canonicalize_name(Requirement(e.rstrip(" \\")).name) == canonicalize_name(requirement.name)
        ]
        assert found, text
        for one in found:
            (pin,) = one.specifier
            assert pin.version in requirement.specifier, text


def test_the_modules_come_from_the_wheel(wheel: Path, environ: dict[str, str], tmp_path: Path) -> None:
    """Else the tests below would say nothing."""
    ran = python(environ, tmp_path, "-c", "import scheduler.tables; print(scheduler.tables.__file__)")
    assert ran.stdout.strip() == str(wheel / "scheduler" / "tables.py")


def test_the_command_starts(wheel: Path, environ: dict[str, str], tmp_path: Path) -> None:
    (names,) = wheel.glob("*.dist-info/entry_points.txt")
    assert "rowwater = scheduler.cli.main:main" in names.read_text()
    ran = python(environ, tmp_path, "-c", "from scheduler.cli.main import main; main()", "--help")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "serve" in ran.stdout
    ran = python(environ, tmp_path, "-c", EVERY_COMMAND)
    assert (ran.returncode, ran.stderr) == (0, "")


def test_the_selfcheck_runs_from_the_wheel_alone(environ: dict[str, str], tmp_path: Path) -> None:
    program = "from scheduler.cli.main import main; main(['selfcheck', '--json'])"
    ran = python(environ, tmp_path, "-c", program)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert json.loads(ran.stdout)["machine"]["rowwater"] is not None
    assert list(tmp_path.iterdir()) == []


def test_the_job_reads_a_garden(environ: dict[str, str], tmp_path: Path) -> None:
    shutil.copytree(ROOT / "examples" / "creekside", tmp_path / "plot")
    job = ("-m", "scheduler.service.job", "read", "--config", "plot/garden.yaml")
    ran = python(environ, tmp_path, *job)
    assert ran.returncode == 0, ran.stderr
    answer = json.loads(ran.stdout)
    assert answer["path"] == str(tmp_path / "plot" / "garden.yaml")
    assert answer["brief"]["valves"]


def test_the_guard_closes_a_list_without_valves(environ: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "valves.json").write_text("[]")
    ran = python(environ, tmp_path, "-m", "scheduler.service.guard", "--close-all", "valves.json")
    assert (ran.returncode, ran.stderr) == (0, "")


def test_the_service_starts_with_its_guard_and_reads_the_garden_by_its_child(shed: Shed) -> None:
    shed.start(quick=True)
    shed.until(lambda: shed.guard_pid() is not None, 20, "the guard")
    assert (shed.data / "in-use.json").exists()
    assert shed.kill(15) == 0
    assert {line.word for line in shed.lines()} == {"close"}
