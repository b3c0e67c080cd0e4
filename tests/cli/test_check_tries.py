"""`check` opens every file that garden.yaml names and asks every source; `--offline` opens none."""

from __future__ import annotations

import os
import shutil
import subprocess
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from cli.conftest import Grower

DAY = ("--date", "2015-07-09")


def test_each_source_has_a_line_with_its_newest_day(grower: Grower) -> None:
    said = grower("check", *DAY)
    assert said.status == 0
    assert "file weather.csv: 176 days of forecast, last day 2015-07-08" in said.out
    path = grower.folder / "weather.csv"
    head, *rows = path.read_text().splitlines()
    kept = [row for row in rows if row < "2015-06-28"]
    path.write_text("\n".join([head, *kept]) + "\n")
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file weather.csv: last day 2015-06-27, 12 days old" in said.out
    source = grower("check", *DAY, "--json").json["sources"][0]
    assert (source["name"], source["ok"]) == ("file weather.csv", False)


def test_what_cannot_be_opened_is_told_each_by_its_name(grower: Grower) -> None:
    grower.edit("- file: {path: weather.csv}", "- file: {path: weather.csv}\n    - file: {path: gone.csv}")
    grower.edit(
        "    valve: {by_hand: true}\n  beans",
        "    valve: {by_hand: true}\n    soil_sensor: {file: soil.csv, column: North, unit: cb}\n  beans",
    )
    grower.edit("display: us", "display: us\nbroker: {host: localhost, user: me, password_file: nowhere.txt}")
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file gone.csv: " in said.out
    assert "! soil sensor of tomatoes: " in said.out
    assert "! nowhere.txt: cannot be read: No such file or directory" in said.out
    assert "176 days of forecast" in said.out  # one that fails hides no other


def test_offline_opens_nothing(grower: Grower) -> None:
    (grower.folder / "weather.csv").unlink()
    said = grower("check", *DAY, "--offline")
    assert said.status == 0
    assert "weather.csv" not in said.out
    assert "sources" not in grower("check", *DAY, "--offline", "--json").json


def test_a_wrong_column_is_named(grower: Grower) -> None:
    path = grower.folder / "weather.csv"
    path.write_text(path.read_text().replace("tmax_c", "tmax", 1))
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file weather.csv: " in said.out
    assert "tmax" in said.out


# --- the page's certificate ---


def openssl(*words: str) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True, timeout=60)


@pytest.fixture
def page(grower: Grower) -> Path:
    """A garden with a page under TLS, its certificate good for 100 days from today on; the file's path."""
    if not shutil.which("openssl"):
        pytest.skip("no openssl on this machine")
    with grower.garden.open("a") as garden:
        garden.write("page: {listen: 127.0.0.1:8008, certificate: page.crt, key: page.key}\n")
    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days",
            "100", "-subj", "/CN=shed.local", "-keyout", "page.key", "-out", "page.crt")  # fmt: skip
    return grower.folder / "page.crt"


def told(grower: Grower, after_days: int = 0) -> tuple[str, bool]:
    """What check says of it so many days from today on."""
    day = date.today() + timedelta(days=after_days)  # noqa: DTZ011 - certificates are of this machine's days
    lines = grower("check", "--date", day.isoformat(), "--json").json["sources"]
    (line,) = [line for line in lines if line["name"] == "certificate of the page"]
    return line["text"], line["ok"]


def test_until_when_the_page_s_certificate_is_good(grower: Grower, page: Path) -> None:
    year = str((datetime.now(UTC) + timedelta(days=100)).year)
    text, ok = told(grower)
    assert ok
    assert text.startswith("good until ")
    assert text.endswith(year)
    assert told(grower, 60) == (text, True)
    near, ok = told(grower, 80)
    assert not ok
    assert near == f"{page}: make a new one: it is {text.replace('good', 'good only', 1)}"
    over, ok = told(grower, 110)
    assert not ok
    assert over == f"{page}: phones accept it no more since {text.removeprefix('good until ')}"
    assert "certificate of the page: good until" in " ".join(grower("check").out.split())
    assert "certificate" not in grower("check", "--offline").out


def test_a_certificate_that_cannot_be_used_is_told(grower: Grower, page: Path) -> None:
    key = grower.folder / "page.key"
    openssl("ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", str(key))
    assert told(grower) == (f"{page}: it and its key do not belong together, or needs a password", False)
    page.write_text("a note")
    assert told(grower) == (f"{page}: it is no PEM file, or needs a password", False)
    page.unlink()
    assert told(grower) == (f"{page} cannot be read: No such file or directory", False)


def test_a_key_for_the_page_s_user_alone_is_no_fault(
    grower: Grower, page: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key, plain = grower.folder / "page.key", Path.read_bytes

    def read(path: Path) -> bytes:
        if path == key:
            raise PermissionError(13, os.strerror(13))
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", read)
    text, ok = told(grower)
    assert ok
    assert text.endswith(f"; {key} is not for this user to read")
    page.write_text("a note")
    assert told(grower) == (f"{page}: it is no PEM file, or needs a password", False)
