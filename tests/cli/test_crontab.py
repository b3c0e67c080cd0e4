"""The README's crontab line, run as cron runs it: a bare environment, `sh -c`, the home folder."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

ROOT = Path(__file__).parents[2]
CREEKSIDE = ROOT / "examples" / "creekside"
LINE = re.compile(r"^\d+ \d+ \* \* \* (.*rowwater.*)$", re.MULTILINE)


def record(path: Path, today: date) -> None:
    """Forty days of the Creekside record, the last of them today's forecast."""
    head, *rows = (CREEKSIDE / "weather.csv").read_text().splitlines()
    june = [row.partition(",")[2] for row in rows if row >= "2015-05-25"][:40]
    days = [today - timedelta(days=39 - k) for k in range(40)]
    path.write_text("\n".join([head, *(f"{day},{row}" for day, row in zip(days, june, strict=True))]) + "\n")


def test_the_line_of_the_readme_finds_garden_and_data(tmp_path: Path) -> None:
    (command,) = LINE.findall((ROOT / "README.md").read_text())
    assert "%" not in command  # cron would end the line there (crontab(5))
    program = tmp_path / "rowwater" / ".venv" / "bin" / "rowwater"
    program.parent.mkdir(parents=True)
    program.write_text(
        f"#!/bin/sh\nPYTHONPATH='{ROOT}' exec '{sys.executable}' -m scheduler.cli.main \"$@\"\n"
    )
    program.chmod(0o755)
    shutil.copy(CREEKSIDE / "garden.yaml", tmp_path)
    today = datetime.now(ZoneInfo("America/Los_Angeles")).date()
    record(tmp_path / "weather.csv", today)
    # the environment that crontab(5) names, and nothing else
    bare = ["env", "-i", f"HOME={tmp_path}", "LOGNAME=grower", "PATH=/usr/bin:/bin", "SHELL=/bin/sh"]
    ended = subprocess.run(
        [*bare, "/bin/sh", "-c", command], cwd="/", capture_output=True, timeout=60, check=False
    )
    log = (tmp_path / "rowwater.log").read_text()
    assert (ended.returncode, ended.stdout, ended.stderr) in ((0, b"", b""), (3, b"", b"")), log
    page = json.loads((tmp_path / "garden-data" / "today.json").read_text())
    assert page["garden"] == "Creekside plot"
    assert abs(date.fromisoformat(page["date"]) - today) <= timedelta(days=1)  # midnight may pass
    assert "Traceback" not in log
    assert log.strip()
