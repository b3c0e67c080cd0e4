"""`page:` of garden.yaml: where phones may look."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.errors import BadGarden
from scheduler.garden.file import load_text
from scheduler.garden.page_address import page_address

GARDEN = """garden: Plot
location: {latitude: 35.61, longitude: -82.44, elevation: 600 m, timezone: America/New_York}
display: metric
supply: {flow: 20}
tapes: {thin: {flow: 0.05}}
zones: {beans: {tape: thin, soil: loam, rows: {count: 1, length: 20, spacing: 1}}}
"""


def page(text: str) -> object:
    return load_text(GARDEN + text).service.get("page")


def test_off_unless_it_stands_there(tmp_path: Path) -> None:
    assert page("") is None
    assert page("page:\n") is None, "all its lines are comments"
    garden = tmp_path / "garden.yaml"
    garden.write_text(GARDEN)
    assert page_address(garden) is None
    garden.write_text(GARDEN + "page: {}\n")
    assert page_address(garden) == "127.0.0.1:8008", "this computer alone"


def test_an_address_alone_or_with_names_and_certificate() -> None:
    assert page("page: 192.168.1.20:8443\n") == {"listen": "192.168.1.20:8443"}
    assert page('page: {listen: "[fd00::7]:8008", names: Shed.local}\n') == {
        "listen": "[fd00::7]:8008", "names": ("shed.local",),
    }  # fmt: skip
    assert page("page: {certificate: a.crt, key: a.key}\n") == {
        "listen": "127.0.0.1:8008", "certificate": "a.crt", "key": "a.key",
    }  # fmt: skip
    assert page("page: {listen: 0.0.0.0:8008, names: [shed.local, 192.168.1.20]}\n")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("page: shed.local:8008", '"shed.local:8008" is not an address and port of this computer'),
        ("page: 192.168.1.20", "is not an address and port"),
        ("page: 192.168.1.20:0", "is not an address and port"),
        ("page: 192.168.1.20:99999", "is not an address and port"),
        ("page: 192.168.1.300:8008", "is not an address and port"),
        ('page: "fd00::7:8008"', "is not an address and port"),
        ("page: on", "is not an address and port"),
        ("page: {names: [a_b]}", "page.names: "),
        ("page: {names: [shed.local:8008]}", "page.names: "),
        ("page: {names: ['*']}", "page.names: "),
        ("page: {names: []}", "page.names: "),
        ("page: {lisen: x}", 'page.lisen: unknown key - did you mean "listen"?'),
        ("page: {certificate: a.crt}", "page: certificate and key go together"),
        ("page: {listen: 0.0.0.0:8008}", "page.listen: that is every network of this computer"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text: str, said: str) -> None:
    with pytest.raises(BadGarden) as found:
        page(text + "\n")
    assert f"garden.yaml:7: {said}" in found.value.text or (
        found.value.text.startswith("garden.yaml:7: page") and said in found.value.text
    )
