"""What garden.yaml says of weather sources is checked when it is read, all at once, each with its line."""

from __future__ import annotations

import pytest

from scheduler.errors import BadGarden
from scheduler.garden.file import load_text
from scheduler.weather.mqtt import messages

GARDEN = """garden: Creekside plot
location: {{latitude: 34.5, longitude: -81.5, elevation: 152 m, timezone: America/New_York}}
display: metric
supply: {{flow: 30 L/min}}
tapes: {{thin: {{flow: 5 L/h/m}}}}
zones: {{beans: {{rows: {{count: 6, length: 20 m, spacing: 1 m}}, tape: thin, soil: loam}}}}
broker: {{host: localhost}}
weather:
  sources:
    - {source}
"""


@pytest.mark.parametrize(
    ("source", "complaint"),
    [
        ("service: nws", "weather.sources[1].contact: needs a contact, by which the service can reach you"),
        ("{service: nws, contact: ü}", "weather.sources[1].contact: needs a contact, by which"),
        ("mqtt: {topic: a, kind: hourly}", 'weather.sources[1].mqtt.kind: "hourly" is not one of'),
        ("mqtt: {topic: a, fields: {temp_c: t}}", "weather.sources[1].mqtt.fields: temp_c: needs kind"),
        ("mqtt: {topic: a, fields: {tmax_k: t}}", 'weather.sources[1].mqtt.fields: "tmax_k" has no'),
        ("mqtt: {topic: a, only: {}}", "weather.sources[1].mqtt.only: name: value is expected"),
        ("file: {path: a.csv, columns: {tmax_k: t}}", 'weather.sources[1].file.columns: "tmax_k" has'),
    ],
)  # fmt: skip
def test_wrong_settings(source: str, complaint: str) -> None:
    with pytest.raises(BadGarden) as caught:
        load_text(GARDEN.format(source=source))
    [told] = caught.value.complaints
    assert told.startswith(f"garden.yaml:10: {complaint}")


def test_right_settings() -> None:
    fields = "{time: time, temp_f: out.temp, rain_total_in: rain}"
    text = (
        f"mqtt: {{topic: a/#, kind: readings, only: {{id: 77}}, fields: {fields}, wind_height: 3 m}}\n"
        "    - {service: nws, contact: you@example.org}\n"
        '    - {service: open-meteo, url: "http://192.0.2.9/f", archive_url: "http://192.0.2.9/a"}'
    )
    station, nws, model = load_text(GARDEN.format(source=text)).sources
    made = messages.plan(station.settings)
    assert (made.kind, dict(made.only), made.made.wind_height_m) == ("readings", {"id": "77"}, 3.0)
    assert {w.key: w.title for w in made.made.wanted} == {"temp_f": "out.temp", "rain_total_in": "rain"}
    assert nws.settings["contact"] == "you@example.org"
    assert model.settings["archive_url"] == "http://192.0.2.9/a"
