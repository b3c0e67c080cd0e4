"""What the service talks to besides its valves: alarms, the flow meter, stations that send messages."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from scheduler.service.alarms import Alarms
from scheduler.service.brief import Brief
from scheduler.service.meter import Meter
from scheduler.service.stations import Stations


class Periphery:
    """All three follow garden.yaml; none of them is waited for."""

    def __init__(self, data: Path, environ: Mapping[str, str], alarms: Alarms) -> None:
        self.alarms = alarms
        self.meter = Meter()
        self.stations = Stations(data, environ)
        self._environ = environ

    def use(self, brief: Brief) -> None:
        service = brief.service
        broker, meter = service.get("broker"), service.get("meter")
        if meter is not None:
            meter = {**meter, "flow_from": service.get("flow_from")}
        self.alarms.use(service.get("notify"), broker, brief.garden)
        self.meter.use(meter, broker, self._environ)
        self.stations.use(brief.stations, broker)

    def close(self) -> None:
        self.meter.close()
        self.stations.close()
