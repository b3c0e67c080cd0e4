"""Imports point down only, and the morning summary carries nothing heavy."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
BOTTOM = ("scheduler.model", "scheduler.units", "scheduler.errors")
OWN = {  # package: what of the program it may import beside itself
    "scheduler.core": ("scheduler.model", "scheduler.errors"),
    "scheduler.weather": BOTTOM,
    "scheduler.store": BOTTOM,
    "scheduler.relays": BOTTOM,
    "scheduler.model": (),
    "scheduler.errors": (),
    "scheduler.units": ("scheduler.model",),
    "scheduler.season": ("scheduler.core", *BOTTOM),
}
OTHERS = {  # package: libraries it may import; the standard library is everybody's
    "scheduler.core": {"numpy"},
    "scheduler.core.et": {"numpy", "pandas", "pyet"},
    "scheduler.core.week_solver": {"numpy", "highspy"},
    "scheduler.model": set(),
    "scheduler.errors": set(),
    "scheduler.units": {"pint"},
}
LAZY = {
    "scheduler.core.et": {"pandas", "pyet"},
    "scheduler.core.week_solver": {"highspy"},
    "scheduler.units": {"pint"},
}
"""Only inside a function: these are slow to load."""


def imports(path: Path) -> Iterator[tuple[int, str, bool, bool]]:
    """(line, module or module.name, inside a function, for type checking only) of one file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    checking = [n for n in ast.walk(tree) if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING"]
    lazy, typing = ({id(n) for top in tops for n in ast.walk(top)} for tops in (functions, checking))
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}:{node.lineno}: a relative import"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            yield node.lineno, name, id(node) in lazy, id(node) in typing


def within(name: str, packages: Any) -> bool:
    return any(name == package or name.startswith(f"{package}.") for package in packages)


def rule(module: str, table: dict[str, Any]) -> Any:
    """That of the nearest package above; None where there is none."""
    parts = module.split(".")
    return next((table[key] for n in range(len(parts), 0, -1) if (key := ".".join(parts[:n])) in table), None)


def broken_rules(root: Path) -> list[str]:
    found = []
    for path in sorted((root / "scheduler").rglob("*.py")):
        module = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
        mine = next((key for key in OWN if within(module, [key])), module)
        for line, name, lazy, typing in imports(path):
            top = name.split(".")[0]
            if top == "scheduler":
                allowed = rule(module, OWN)
                wrong = allowed is not None and not within(name, (mine, *allowed)) and name != "scheduler"
                wrong |= within(name, ["scheduler.cli"]) and not within(module, ["scheduler.cli"])
            elif typing or top in sys.stdlib_module_names:
                continue
            else:
                libraries = rule(module, OTHERS)
                wrong = libraries is not None and top not in libraries
                wrong |= top in (LAZY.get(module) or ()) and not lazy
            if wrong:
                found.append(f"{path.relative_to(root)}:{line}: {module} imports {name}")
    return found


def test_no_import_points_up():
    assert broken_rules(ROOT) == []


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("core/soil.py", "from scheduler.store.store import Store"),
        ("core/soil.py", "import pandas"),
        ("core/soil.py", "import requests"),
        ("core/et.py", "import pyet"),
        ("weather/days.py", "from scheduler.core import et"),
        ("weather/days.py", "import scheduler.store"),
        ("weather/days.py", "from scheduler import store"),
        ("store/store.py", "def f():\n    from scheduler.weather.days import join"),
        ("relays/gpio.py", "from scheduler.store.store import Store"),
        ("model.py", "import numpy"),
        ("units.py", "import pint"),
        ("daily.py", "from scheduler.cli.common import garden"),
    ],
)
def test_an_import_that_points_up_is_found(path: str, source: str, tmp_path: Path):
    file = tmp_path / "scheduler" / path
    file.parent.mkdir(parents=True)
    file.write_text(source)
    assert len(broken_rules(tmp_path)) == 1


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("core/et.py", "def f():\n    import pandas as pd\n    import pyet"),
        (
            "core/soil.py",
            "import numpy as np\nfrom scheduler.core import crop\nfrom scheduler.model import Zone",
        ),
        ("units.py", "def f():\n    import pint"),
        ("model.py", "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import numpy"),
        ("weather/days.py", "import numpy\nfrom scheduler.weather import localdays"),
        ("cli/day.py", "from scheduler.cli.common import garden\nfrom scheduler.store.store import Store"),
    ],
)
def test_an_import_that_points_down_is_let_be(path: str, source: str, tmp_path: Path):
    file = tmp_path / "scheduler" / path
    file.parent.mkdir(parents=True)
    file.write_text(source)
    assert broken_rules(tmp_path) == []


# --- what the morning loads ----------------------------------------------------------------------

HEAVY = (
    "numpy", "pandas", "xarray", "scipy", "pyet", "sqlalchemy", "alembic", "requests", "apscheduler",
    "pydantic", "pint", "yaml",
)  # fmt: skip
PAGE = {
    "garden": "Creekside plot", "display": "us", "timezone": "UTC", "date": "2026-06-12",
    "made_at": "2026-06-12T03:00:00+00:00",
    "window": {"from": "2026-06-12T04:00:00+00:00", "until": "2026-06-12T10:00:00+00:00"},
    "weather": {"yesterday": {"tmin_c": 12.0, "tmax_c": 27.0, "rain_mm": 0.0, "et0_mm": 5.1,
                              "et0_method": "penman-monteith"}},
    "zones": [{"zone": "beans", "state": "watered", "deficit_mm": 9.0, "trigger_mm": 8.0, "crop": "beans",
               "day": 31, "stage": "development", "wanted_minutes": 40.0, "minutes_if_given": 40.0}],
    "runs": [{"zone": "beans", "pulse": 1, "start": "2026-06-12T09:20:00+00:00",
              "stop": "2026-06-12T10:00:00+00:00", "minutes": 40.0, "liters": 300.0, "net_mm": 9.0,
              "flow_lpm": 7.5}],
    "unmet": [], "unanswered": [], "applied": [], "notices": [{"level": "info", "text": "all is well"}],
    "sources": {"credits": []},
}  # fmt: skip
SCRIPT = """
import sys
from scheduler.cli.main import main
try:
    main(["morning", "--date", "2026-06-12"])
except SystemExit as end:
    print("status", end.code, file=sys.stderr)
print("loaded", *sorted({name.split(".")[0] for name in sys.modules}), file=sys.stderr)
"""


def test_the_morning_summary_loads_nothing_heavy(tmp_path: Path):
    (tmp_path / "today.json").write_text(json.dumps(PAGE))
    ran = subprocess.run(
        [sys.executable, "-c", SCRIPT], capture_output=True, text=True, cwd=tmp_path, timeout=60, check=True,
        env=os.environ | {"ROWWATER_DATA": str(tmp_path), "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    status, loaded = (line.split()[1:] for line in ran.stderr.strip().splitlines()[-2:])
    assert status == ["0"], ran.stderr
    assert "09:20" in ran.stdout
    assert "beans" in ran.stdout
    assert "click" in loaded
    assert sorted(set(loaded) & set(HEAVY)) == []
