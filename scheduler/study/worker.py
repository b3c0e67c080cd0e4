"""What runs on a worker of Dask, and on its scheduler; the weather lies there as a plugin, for all pieces.

As a task's result Dask would drop copies that lie idle, and fetch them again.
"""

from __future__ import annotations

from typing import Any

from distributed import WorkerPlugin, get_worker

from scheduler.study.seasons import Outcome, Piece, Record, run
from scheduler.study.version import fingerprint, versions

PLUGIN = "rowwater"
"""Begins the name of a study's weather; its client's follows."""


class OtherVersion(Exception):
    """A worker counts with another version; which worker, and what it has."""


class Weather(WorkerPlugin):  # type: ignore[misc]  # Dask's classes carry no types
    """A study's record."""

    def __init__(self, record: Record) -> None:
        self.record = record


def run_there(piece: Piece, weather: str, expected: str) -> list[Outcome]:
    """By the weather of that name; the worker may have joined late.  Raises OtherVersion."""
    worker = get_worker()
    if fingerprint() != expected:
        raise OtherVersion(worker.address, versions())
    return run(piece, worker.plugins[weather].record)


async def forget_the_killed(dask_scheduler: Any) -> None:
    """Takes away the weather of studies that were killed before they could."""
    ours = [name for name in dask_scheduler.worker_plugins if name.startswith(f"{PLUGIN} ")]
    for name in ours:
        if name.split()[1] not in dask_scheduler.clients:
            await dask_scheduler.unregister_worker_plugin(None, name=name)
