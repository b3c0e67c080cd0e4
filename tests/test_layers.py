"""Imports point down only, and the morning summary carries nothing heavy."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = {  # room: its duty, and the rooms that it may use beside the ground; the top floor first
    "cli": (
        "one small module per command; `text/` turns pages into words",
        "web service daily html phrases drawings pages study planning garden publish core.system "
        "core.balance core weather store relays secret tables units dates clock disk places show",
    ),
    "web": (
        "the page for phones: who may see and ask what, the server that answers",
        "service html publish clock disk",
    ),
    "service": (
        "the process that opens valves, its guard, and the children that compute for it",
        "daily planning garden publish core.hours core weather store relays clock disk broker places show",
    ),
    "daily": ("the day: ask, plan, publish", "pages planning garden publish weather store places show"),
    "pages": (
        "results as plain values: what `--json` prints and `today.json` holds",
        "study selfcheck planning core.week core.system core.uncertainty core.quality core.balance "
        "core.hydraulics core store show",
    ),
    "selfcheck": (
        "published examples and worked numbers, done anew by the core's own functions",
        "core.system core.balance core.hydraulics core tables units",
    ),
    "study": (
        "variants of a garden x years: chosen, run, kept, and carried to other machines",
        "planning garden core.balance core weather units disk",
    ),
    "planning": (
        "from facts to plan: the balance up to last night, today, the week, the season",
        "core.week core.system core.uncertainty core.quality core.balance core.hours core weather store "
        "tables show",
    ),
    "html": ("pages as HTML, by templates", "phrases drawings show"),
    "phrases": ("what a terminal and a screen say in the same words", "show"),
    "drawings": ("pictures as SVG text, made of pages alone", "show"),
    "garden": (
        "the YAML door: text to checked values, every complaint with its line",
        "weather relays tables units dates places",
    ),
    "publish": ("files that others read, the calendar among them", "disk"),
    "core.week": ("the plan of seven mornings", "core.balance core.hours core"),
    "core.system": (
        "what supply, tape and hours can carry; changeover, upkeep",
        "core.balance core.hours core.hydraulics core",
    ),
    "core.uncertainty": (
        "how sure weather, water given and deficit are; soil readings",
        "core.balance core",
    ),
    "core.quality": ("does a weather value look right", "core.balance core"),
    "core.balance": (
        "weather to ET0, crop, root zone, need, minutes (models M1 to M7)",
        "core.hydraulics core",
    ),
    "core.hours": ("runs inside the allowed hours, days, caps and flow", "core"),
    "core.hydraulics": ("pressure and flow along tape and supply line", "core"),
    "core": ("what all of the core shares: arrays, the supply's flow, the flow meter's judgement", ""),
    "weather": ("sources: fetch here, parse there; `files/`, `mqtt/`, `nws/`, `openmeteo/`", "broker disk"),
    "store": ("facts on disk (SQLite)", "disk"),
    "relays": ("valve drivers, a file each", "broker secret disk places"),
    "tables": ("the shipped figures of config/", ""),
    "units": ("text with units in, SI inside", ""),
    "dates": ("days and moments as people type them", ""),
    "clock": ("the only place that asks the time", ""),
    "disk": ("the one way a file is replaced", ""),
    "broker": ("a client of the message broker", "secret"),
    "secret": ("a secret from the file that names it", "places"),
    "show": ("SI to words of the display", ""),
    "places": ("where garden.yaml and the data folder are", ""),
    "model": ("the frozen values that flow", "shapes errors"),
    "shapes": ("the type of every page, and the JSON Schema made from them", ""),
    "json_reading": ("JSON of whatever was found, refused in one way", ""),
    "nearest": ("did you mean: the known word that a mistyped one comes closest to", ""),
    "errors": ("every error raised on purpose, with its exit status", ""),
}
GROUND = ("model", "shapes", "json_reading", "nearest", "errors")
"""Everybody may use these."""
EXCEPTIONS: set[tuple[str, str]] = set()
"""(module, module) that break the table and are known; empty is the aim."""
LIBRARIES = {  # package: libraries it may import; the standard library is everybody's
    "scheduler.core": {"numpy"},
    "scheduler.core.balance.et": {"numpy", "pandas", "pyet"},
    "scheduler.core.week.solver": {"numpy", "highspy"},
    "scheduler.model": set(),
    "scheduler.errors": set(),
    "scheduler.units": set(),
}
LAZY = {
    "scheduler.core.balance.et": {"pandas", "pyet"},
    "scheduler.core.week.solver": {"highspy"},
}
"""Only inside a function: these are slow to load."""


class Import(NamedTuple):
    """One import of a file."""

    line: int
    name: str  # module, or module.name
    lazy: bool  # inside a function
    typing: bool  # for type checking only


def imports(path: Path) -> Iterator[Import]:
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
            yield Import(node.lineno, name, id(node) in lazy, id(node) in typing)


def room(name: str) -> str | None:
    """The room of a module or of a name in it; None of the package itself."""
    parts = name.split(".")[1:]
    for n in range(len(parts), 0, -1):
        if (key := ".".join(parts[:n])) in ROOMS:
            return key
    return parts[0] if parts else None


def may_use(name: str | None) -> tuple[str, ...]:
    if name not in ROOMS:
        return ()
    return (*ROOMS[name][1].split(), *(() if name in GROUND else GROUND))


def within(name: str, packages: Iterable[str]) -> bool:
    return any(name == package or name.startswith(f"{package}.") for package in packages)


def nearest(module: str, table: dict[str, set[str]]) -> set[str] | None:
    """The entry of the nearest package above; None where there is none."""
    parts = module.split(".")
    return next((table[key] for n in range(len(parts), 0, -1) if (key := ".".join(parts[:n])) in table), None)


def modules(root: Path) -> dict[str, Path]:
    return {
        ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for path in sorted((root / "scheduler").rglob("*.py"))
        if "config" not in path.parts
    }


def broken_rules(root: Path) -> list[str]:
    found = []
    for module, path in modules(root).items():
        mine = room(module)
        for one in imports(path):
            top = one.name.split(".")[0]
            if top == "scheduler":
                other = room(one.name)
                wrong = other not in (None, mine, *may_use(mine)) and (module, one.name) not in EXCEPTIONS
            elif one.typing or top in sys.stdlib_module_names:
                continue
            else:
                libraries = nearest(module, LIBRARIES)
                wrong = libraries is not None and top not in libraries
                wrong |= top in LAZY.get(module, ()) and not one.lazy
            if wrong:
                found.append(f"{path.relative_to(root)}:{one.line}: {module} imports {one.name}")
    return found


def circles(root: Path) -> list[list[str]]:
    """Modules that import each other, in whatever way: at the top, in a function, for types only."""
    known = modules(root)
    graph = {
        module: {
            target
            for one in imports(path)
            for target in (one.name, one.name.rpartition(".")[0])
            if target in known and target != module and target != "scheduler"
        }
        for module, path in known.items()
    }
    try:
        list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        return [error.args[1]]
    return []


def test_each_room_uses_only_rooms_below():
    assert broken_rules(ROOT) == []


def test_no_two_modules_import_each_other():
    assert circles(ROOT) == []


def test_every_module_has_a_room():
    known = {room(module) for module in modules(ROOT)} - {None}
    assert known == set(ROOMS)


def test_the_table_itself_points_down():
    order = list(ROOMS)
    for name in ROOMS:
        assert all(order.index(name) < order.index(other) for other in may_use(name)), name


def house() -> str:
    """The map as it stands in DEVELOPERS.md."""
    lines = ["| room | duty | may use |", "| --- | --- | --- |"]
    for name, (duty, uses) in ROOMS.items():
        below = uses.replace(".", "/").replace(" ", ", ")
        lines.append(f"| `{name.replace('.', '/')}` | {duty} | {below or '-'} |")
    return "\n".join(lines)


def test_the_map_in_the_guide_is_this_table(request: pytest.FixtureRequest):
    guide = ROOT / "DEVELOPERS.md"
    head, rest = guide.read_text(encoding="utf-8").split("<!-- rooms -->\n")
    _, tail = rest.split("\n<!-- end of rooms -->")
    whole = f"{head}<!-- rooms -->\n{house()}\n<!-- end of rooms -->{tail}"
    if request.config.getoption("--refresh-golden"):
        guide.write_text(whole, encoding="utf-8")
    assert guide.read_text(encoding="utf-8") == whole


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("core/balance/soil.py", "from scheduler.store.store import Store"),
        ("core/balance/soil.py", "import pandas"),
        ("core/balance/soil.py", "import requests"),
        ("core/balance/soil.py", "from scheduler.core.week import plan"),
        ("core/balance/et.py", "import pyet"),
        ("weather/days.py", "from scheduler.core.balance import et"),
        ("weather/days.py", "import scheduler.store"),
        ("weather/days.py", "from scheduler import store"),
        ("store/store.py", "def f():\n    from scheduler.weather.days import join"),
        ("store/store.py", "if TYPE_CHECKING:\n    from scheduler.weather.days import join"),
        ("relays/gpio.py", "from scheduler.store.store import Store"),
        ("pages/day.py", "from scheduler.daily import run_day"),
        ("planning/live.py", "from scheduler.pages.day import day_page"),
        ("model.py", "import numpy"),
        ("units.py", "def f():\n    import numpy"),
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
        ("core/balance/et.py", "def f():\n    import pandas as pd\n    import pyet"),
        (
            "core/balance/soil.py",
            "import numpy as np\nfrom scheduler.core.balance import crop\nfrom scheduler.model import Zone",
        ),
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


@pytest.mark.parametrize(
    "way",
    [
        "from scheduler.b import B",
        "def f():\n    import scheduler.b",
        "if TYPE_CHECKING:\n    from scheduler import b",
    ],
)
def test_a_circle_is_found_however_it_is_hidden(way: str, tmp_path: Path):
    (tmp_path / "scheduler").mkdir()
    (tmp_path / "scheduler" / "a.py").write_text(way)
    (tmp_path / "scheduler" / "b.py").write_text("from scheduler.a import A")
    assert circles(tmp_path)


# --- what the morning loads ----------------------------------------------------------------------

HEAVY = (
    "numpy", "pandas", "xarray", "scipy", "pyet", "sqlalchemy", "alembic", "requests", "apscheduler",
    "pydantic", "yaml",
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
