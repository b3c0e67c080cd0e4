"""Published figures beside those of this machine, as plain values."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from math import isfinite

from scheduler.selfcheck.cases import sources
from scheduler.selfcheck.run import Checked, Figure, checked
from scheduler.shapes.selfcheck import CaseLine, FigureLine, MachineLine, SelfcheckPage, SourceLine


def selfcheck_page() -> SelfcheckPage:
    """Every case done anew, and on what."""
    lines: list[SourceLine] = [
        {"source": source.name, "cases": [_case(case) for case in checked(source)]} for source in sources()
    ]
    figures = [figure for line in lines for case in line["cases"] for figure in case["figures"]]
    return {
        "machine": _machine(),
        "right": all(case["right"] for line in lines for case in line["cases"]),
        "figures": len(figures),
        "wrong": sum(not figure["right"] for figure in figures),
        "sources": lines,
    }


def _machine() -> MachineLine:
    return {
        "rowwater": _version("rowwater"),
        "python": platform.python_version(),
        "numpy": _version("numpy"),
        "pyet": _version("pyet"),
        "machine": f"{platform.system()} {platform.release()}, {platform.machine()}",
    }


def _version(library: str) -> str | None:
    try:
        return version(library)
    except PackageNotFoundError:
        return None


def _case(one: Checked) -> CaseLine:
    return {
        "case": one.case.name,
        "title": one.case.title,
        "right": one.right,
        "failure": one.failure,
        "farthest": one.figures.index(one.farthest),
        "figures": [_figure(figure) for figure in one.figures],
    }


def _figure(figure: Figure) -> FigureLine:
    known = isfinite(figure.ours)
    return {
        "name": figure.name,
        "printed": figure.printed.value,
        "text": figure.printed.text,
        "ours": figure.ours if known else None,
        "difference": figure.difference if known else None,
        "within": figure.printed.within,
        "why": figure.printed.why,
        "right": figure.right,
    }
