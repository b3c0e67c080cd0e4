"""What the page must know of its garden; found once, at its start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from ipaddress import ip_address
from pathlib import Path

from scheduler.clock import site_now

LISTEN = "127.0.0.1:8008"
FOLDER = "page"
"""The page's own folder, in the data folder: paired phones, and nothing of the records."""


@dataclass(frozen=True, slots=True)
class Settings:
    """`listen` and `names` as garden.yaml has them (`page:`)."""

    garden: str
    timezone: str
    config: Path
    data: Path
    folder: Path
    listen: str = LISTEN
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    example_of: datetime | None = None  # the shipped example: its time stands still, and nothing can be noted

    @property
    def address(self) -> tuple[str, int]:
        host, _, port = self.listen.rpartition(":")
        return host.strip("[]"), int(port)

    @property
    def tls(self) -> bool:
        return self.certificate is not None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names that a request may call the page by. An address that listens everywhere is none of them."""
        address = ip_address(self.address[0])
        own = () if address.is_unspecified else (self.address[0],)
        return (*self.names, *own, *(("localhost",) if address.is_loopback else ()))

    def now(self) -> datetime:
        return self.example_of or site_now(self.timezone)

    @property
    def url(self) -> str:
        """What a phone opens: the first name, else the address."""
        host, port = self.address
        shown = self.names[0] if self.names else f"[{host}]" if ":" in host else host
        return f"{'https' if self.tls else 'http'}://{shown}:{port}"
