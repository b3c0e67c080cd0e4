"""The table of faults in the README is what the code says today."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

from scheduler.relays import base
from scheduler.service import daemon, guard

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def faults() -> ModuleType:
    spec = importlib.util.spec_from_file_location("fault_table", ROOT / "examples" / "fault_table.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_readme_has_the_table_of_the_code(faults: ModuleType):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert faults.placed(text) == text, "run: python examples/fault_table.py --write"
    assert faults.table() in text


@pytest.mark.parametrize(
    ("module", "name", "what"),
    [
        (daemon, "STUCK_S", "no step of the service for a while, though it lives"),
        (guard, "SILENCE_S", "the service freezes"),
        (base, "LIMIT_S", "a valve does not answer"),
    ],
)
def test_its_numbers_are_those_of_the_modules(
    faults: ModuleType, module: ModuleType, name: str, what: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(module, name, 777.0)
    (when,) = (row[1] for row in faults.rows() if row[0] == what)
    assert when.startswith("777 s")


def test_the_service_managers_times_are_those_of_the_unit_file(faults: ModuleType, tmp_path: Path):
    text = faults.UNIT.read_text(encoding="utf-8").replace("WatchdogSec=60", "WatchdogSec=61")
    (tmp_path / "unit").write_text(text)
    assert faults.unit_times(tmp_path / "unit")["WatchdogSec"] == 61


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.5, "0.5 s"), (60, "60 s"), (95, "95 s"), (120, "2 min"), (3600, "60 min"), (21600, "6 h")],
)
def test_times_in_words(faults: ModuleType, seconds: float, words: str):
    assert faults.span(seconds) == words


def test_a_readme_without_its_marks_is_told(faults: ModuleType):
    with pytest.raises(ValueError, match="must be there once"):
        faults.placed("no marks")


def test_no_cell_breaks_the_table(faults: ModuleType):
    for row in faults.rows():
        assert len(row) == 3
        assert all(cell and "|" not in cell and "\n" not in cell for cell in row)
