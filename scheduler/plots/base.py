"""What every picture begins with: a file name that can hold one, and matplotlib, which is optional."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from scheduler.errors import BadInput, CouldNot


def pyplot_for(path: Path) -> Any:
    """matplotlib.pyplot, drawing without a screen. BadInput for another kind of file, CouldNot without it."""
    if path.suffix.lower() not in (".png", ".svg"):
        raise BadInput(f"{path}: a plot is a .png or an .svg")
    try:
        import matplotlib

        matplotlib.use("agg")
        from matplotlib import pyplot
    except ImportError:
        raise CouldNot(
            "--plot needs matplotlib, which is not installed", hint="pip install 'rowwater[plot]'"
        ) from None
    return pyplot
