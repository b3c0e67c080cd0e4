"""A client of the message broker that garden.yaml names: its library, its user, its password."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from scheduler.errors import CouldNot
from scheduler.secret import secret

if TYPE_CHECKING:
    from paho.mqtt.client import Client
    from paho.mqtt.properties import Properties

PORT = 1883
"""Of a broker without TLS (IANA service name "mqtt")."""
MOST_PACKET = 65_536
"""Bytes; no reading is so long. A broker keeps larger messages to itself (MQTT 5, 3.1.2.11.4)."""


def new_client(broker: Mapping[str, Any], environ: Mapping[str, str], *, who: str, **settings: Any) -> Client:
    """A client that is not connected yet, with the broker's user and password; it connects with `bounds()`.

    who: who needs it, for the words ("mqtt stations").  settings: arguments of the library's `Client`.
    Raises CouldNot where the library is missing, or the password's file cannot be read.
    """
    try:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
    except ImportError as missing:
        raise CouldNot(
            f"{who} need paho-mqtt, which cannot be loaded ({missing})",
            hint='install it: pip install "rowwater[mqtt]"',
        ) from missing
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, **settings)
    if (known := login(broker, environ)) is not None:
        client.username_pw_set(*known)
    return client


def bounds() -> Properties:
    """What a client asks of the broker when it connects."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    asked = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    asked.MaximumPacketSize = MOST_PACKET
    return asked


def login(broker: Mapping[str, Any], environ: Mapping[str, str]) -> tuple[str, str | None] | None:
    """User and password; None where the broker asks for no user. Raises CouldNot."""
    user, file = broker.get("user"), broker.get("password_file")
    if not user:
        return None
    if file is None:
        return str(user), None
    try:
        return str(user), secret(str(file), environ)
    except (OSError, ValueError) as problem:
        raise CouldNot(f"the broker's password file cannot be read: {problem}") from problem


def address(broker: Mapping[str, Any]) -> tuple[str, int]:
    """Host and port; this machine, and the usual port, where nothing else is said.

    >>> address({"host": "shed.local"}), address({"port": "8883"})
    (('shed.local', 1883), ('localhost', 8883))
    """
    return str(broker.get("host", "localhost")), int(broker.get("port", PORT))
