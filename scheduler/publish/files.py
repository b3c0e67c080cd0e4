"""The files others read: schedule.json, schedule.ics, today.json. Each is replaced whole, or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.shapes.serialise import as_json

TODAY = "today.json"
SCHEDULE_JSON = "schedule.json"
SCHEDULE_ICS = "schedule.ics"


# --- files ---


def write_today(data_dir: Path, page: Mapping[str, object]) -> None:
    """today.json: all that the morning summary shows."""
    _write_json(data_dir / TODAY, page)


def write_schedule_json(data_dir: Path, schedule: Mapping[str, object]) -> None:
    _write_json(data_dir / SCHEDULE_JSON, schedule)


def write_schedule_ics(data_dir: Path, calendar: bytes) -> None:
    """calendar: what `schedule_ics` made."""
    write_atomic(data_dir / SCHEDULE_ICS, calendar)


def _write_json(path: Path, value: Mapping[str, object]) -> None:
    write_atomic(path, as_json(value, indent=1) + "\n")


def read_today(data_dir: Path) -> dict[str, Any] | None:
    """The page last published, None where there is none yet. CouldNot for a file that is not one.

    Its shape is not looked at, for the morning's sake: see `refuse_other_shape`.
    """
    path = data_dir / TODAY
    if path.exists() and not path.is_file():  # a pipe would be waited for
        raise _broken(path, "it is no file")
    try:
        page = read_json(path.read_bytes().decode(), parse_constant=_not_json)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise CouldNot(
            f"{path} cannot be read ({error.strerror or error})", hint=f"look at the rights on {data_dir}"
        ) from error
    except ValueError as error:
        raise _broken(path, str(error)) from error
    if not isinstance(page, dict):
        raise _broken(path, "it holds no page")
    return page


def refuse_other_shape(data_dir: Path, page: object) -> None:
    """CouldNot, with what is wrong, for a page that is not as this version writes it."""
    from scheduler.shapes.day import TodayFile
    from scheduler.shapes.fault import fault

    if why := fault(page, TodayFile):
        raise _broken(data_dir / TODAY, f"{why}; another version may have written it")


def _not_json(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is not a number")


def _broken(path: Path, why: str) -> CouldNot:
    return CouldNot(f"{path} is broken: {why}", hint="`rowwater day` writes it anew")


# --- the calendar ---
