"""Cap and capacity: each check on the program as it is, and on it with one comparison or term changed."""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest
from service.limits import CHECKS, Parts

from scheduler.service import actions, ledger, master, valve_threads

CAP_AND_CAPACITY = {
    ledger: ("Ledger._obstacle", "Ledger.committed_lpm", "Ledger._longest_s", "Ledger.water",
             "Ledger._overdue"),
    master: ("Master.ready", "Master.drive", "Master.is_closed"),
    actions: ("Rules.cap_s",),
    valve_threads: ("ValveState.ask_open", "ValveState.due", "ValveState.refuse"),
}  # fmt: skip
LEAST_MUTANTS = 77
FLIPPED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip


@pytest.fixture(autouse=True)
def the_real_tolerance() -> Iterator[None]:
    before = ledger.FLOW_TOLERANCE_LPM
    yield
    ledger.FLOW_TOLERANCE_LPM = before


@pytest.mark.parametrize("name", CHECKS)
def test_limits(name: str) -> None:
    CHECKS[name](Parts(ledger, master, actions, valve_threads))


def test_every_changed_comparison_and_every_dropped_term_is_noticed() -> None:
    survivors = []
    mutants = 0
    for module, functions in CAP_AND_CAPACITY.items():
        assert module.__file__ is not None
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        for function in functions:
            for what, changed in mutants_of(tree, function):
                mutants += 1
                if not noticed(module, changed):
                    survivors.append(f"{module.__name__}.{function}: {what}")
    print(f"{mutants} mutants of the cap and capacity code, {mutants - len(survivors)} killed")
    assert not survivors, "\n".join(survivors)
    assert mutants >= LEAST_MUTANTS


def noticed(module: ModuleType, tree: ast.Module) -> bool:
    """Whether a check fails on the changed module."""
    changed = ModuleType(module.__name__)
    exec(compile(tree, f"changed {module.__name__}", "exec"), changed.__dict__)
    found = {"ledger": ledger, "master": master, "actions": actions, "hands": valve_threads} | {
        module.__name__.rpartition(".")[2]: changed
    }
    for check in CHECKS.values():
        try:
            check(Parts(**found))
        except Exception:
            return True
    return False


def mutants_of(tree: ast.Module, function: str) -> Iterator[tuple[str, ast.Module]]:
    """(what is changed, the module with only that changed), for every place in the function."""
    class_name, name = function.split(".")
    sites = list(ast.walk(_function(tree, class_name, name)))
    for k, site in enumerate(sites):
        for change in _changes(site):
            twin = copy.deepcopy(tree)
            node = list(ast.walk(_function(twin, class_name, name)))[k]
            change(node)
            text = ast.unparse(_function(twin, class_name, name))
            assert text != ast.unparse(_function(tree, class_name, name))
            yield f"line {getattr(site, 'lineno', 0)}: {ast.unparse(site)} -> {ast.unparse(node)}", twin


def _function(tree: ast.Module, class_name: str, name: str) -> ast.FunctionDef:
    (found,) = (
        node
        for cls in tree.body
        if isinstance(cls, ast.ClassDef) and cls.name == class_name
        for node in cls.body
        if isinstance(node, ast.FunctionDef) and node.name == name
    )
    return found


def _changes(site: ast.AST) -> list[Callable[[ast.AST], None]]:
    match site:
        case ast.Compare(ops=ops):
            return [_flip(k) for k, op in enumerate(ops) if type(op) in FLIPPED]
        case ast.BinOp(op=ast.Add() | ast.Sub()):
            return [_becomes("left"), _becomes("right")]
        case ast.BoolOp(values=values):
            return [_without("values", k) for k in range(len(values))]
        case ast.Call(func=ast.Name(id="min" | "max"), args=args):
            return [_without("args", k) for k in range(len(args))]
        case ast.AugAssign():
            return [_replaces]
    return []


def _flip(k: int) -> Callable[[ast.AST], None]:
    def change(node: ast.AST) -> None:
        assert isinstance(node, ast.Compare)
        node.ops[k] = FLIPPED[type(node.ops[k])]()

    return change


def _becomes(side: str) -> Callable[[ast.AST], None]:
    """x + y becomes x, or y."""

    def change(node: ast.AST) -> None:
        assert isinstance(node, ast.BinOp)
        kept = getattr(node, side)
        _turn_into(node, kept)

    return change


def _without(field: str, k: int) -> Callable[[ast.AST], None]:
    def change(node: ast.AST) -> None:
        left = getattr(node, field)
        del left[k]
        if len(left) == 1:
            _turn_into(node, left[0])

    return change


def _turn_into(node: ast.AST, other: ast.AST) -> None:
    node.__class__ = other.__class__
    node.__dict__.clear()
    node.__dict__.update(other.__dict__)


def _replaces(node: ast.AST) -> None:
    """total += x becomes total = x."""
    assert isinstance(node, ast.AugAssign)
    target, value = node.target, node.value
    where = {k: v for k, v in node.__dict__.items() if k.endswith(("lineno", "col_offset"))}
    _turn_into(node, ast.Assign(targets=[target], value=value, **where))
