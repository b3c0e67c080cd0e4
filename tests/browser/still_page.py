"""The page of a garden whose time stands still: CONFIG DATA PORT MOMENT, in a process of its own."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

from scheduler.web.app import application
from scheduler.web.server import own_socket, serve
from scheduler.web.settings import FOLDER, Settings


class Still(Settings):
    """Its clock shows one moment."""

    moment: datetime

    def now(self) -> datetime:
        return self.moment


def main(config: str, data: str, port: str, moment: str) -> None:
    Still.moment = datetime.fromisoformat(moment)
    settings = Still(
        "Creekside plot", "America/Los_Angeles", Path(config), Path(data), Path(data) / FOLDER,
        listen=f"127.0.0.1:{port}",
    )  # fmt: skip
    serve(application(settings), settings, own_socket(settings), None)


main(*sys.argv[1:])
