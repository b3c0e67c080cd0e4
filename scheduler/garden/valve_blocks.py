"""The blocks of garden.yaml that name hardware: valves, meter, broker, and whom to tell."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from scheduler.garden.block import Block
from scheduler.garden.reads import choice, key, quantity, seconds, whole_number
from scheduler.garden.values import (
    Body,
    Command,
    Field,
    FilePath,
    Flag,
    LagMinutes,
    Method,
    Name,
    Pin,
    PlainTopic,
    Topic,
    Url,
    Variable,
    WholePath,
)
from scheduler.relays.base import ACTS_WITHIN_S, LIMIT_S
from scheduler.relays.mqtt import to_set
from scheduler.units import shown

Hardware = tuple[Any, ...]

# fmt: off


class DriverBlock(Block):
    """What one driver is told; the drivers stand in scheduler/relays, a file each."""

    def settings(self) -> dict[str, Any]:
        """As the driver reads them; equal settings, however they were written, are one valve."""
        return self.model_dump(exclude_none=True)

    def hardware(self) -> Hardware:
        """What tells one valve of this driver from another, whatever else its settings say."""
        return (repr(self.settings()),)

    def called(self) -> str:
        """That hardware in words."""
        return f"the valve {shown(repr(self.settings()))}"


class GpioBlock(DriverBlock):
    short_for: ClassVar[str | None] = "pin"
    pin: Pin = key("GPIO number (not the place on the header).", "17")
    active_high: Flag = key("false for a relay board that switches on when the pin goes low.", "false", True)

    def hardware(self) -> Hardware:
        return (self.pin,)

    def called(self) -> str:
        return f"pin {self.pin}"


class HttpCallBlock(Block):
    method: Method | None = key(
        "GET, POST or PUT; without it POST where there is a body, else GET.", "POST", None)
    url: Url = key("Address; {seconds} and {zone} are filled in.", '"http://192.0.2.7/relay/1?on={seconds}"')
    body: Body | None = key("What is sent; {seconds} and {zone} are filled in.", '"on {seconds}"', None)

    def call(self) -> dict[str, Any]:
        method = self.method or ("POST" if self.body is not None else "GET")
        return {"method": method, "url": self.url, **({} if self.body is None else {"body": self.body})}


class HeaderBlock(Block):
    """Exactly one of them."""

    one_of: ClassVar[tuple[str, ...]] = ("text", "env", "file")
    short_for: ClassVar[str | None] = "text"
    text: Name | None = key("What is sent, where it is no secret.", "text/plain", None)
    env: Variable | None = key("Environment variable of the service that holds it.", "RELAY_KEY", None)
    file: WholePath | None = key(
        "File that holds it, readable by the service alone.", "/etc/rowwater/relay-key", None)


class ValveCallBlock(HttpCallBlock):
    headers: dict[str, HeaderBlock] | None = key(
        "Header lines by name: a text, or where the secret is kept.",
        "{X-Key: {file: /etc/rowwater/relay-key}}", None)

    def call(self) -> dict[str, Any]:
        """Secrets stay where they are: {"env": name} or {"file": path} in place of the text."""
        headers = {
            name: header.text or header.model_dump(exclude_none=True)
            for name, header in (self.headers or {}).items()
        }
        return super().call() | ({"headers": headers} if headers else {})


class StateCallBlock(ValveCallBlock):
    field: Field | None = key(
        "Where in a JSON answer it stands: names and places joined by dots. Without it: the answer itself, "
        "or its \"open\" or \"state\".", "relays.0.on", None)

    def call(self) -> dict[str, Any]:
        return super().call() | ({} if self.field is None else {"field": self.field})


class HttpValveBlock(DriverBlock):
    open: ValveCallBlock = key("The call that opens.", '{url: "http://192.0.2.7/relay/1?on={seconds}"}')
    close: ValveCallBlock = key("The call that closes.", '{url: "http://192.0.2.7/relay/1?off"}')
    state: StateCallBlock | None = key(
        "The call that answers whether it is open, as true or false, on or off, open or closed, 1 or 0: what "
        "the relay says then counts.", '{url: "http://192.0.2.7/relay/1", field: open}', None)

    def calls(self) -> list[ValveCallBlock]:
        return [self.open, self.close, *([self.state] if self.state else [])]

    def settings(self) -> dict[str, Any]:
        state = {} if self.state is None else {"state": self.state.call()}
        return {"open": self.open.call(), "close": self.close.call()} | state

    def hardware(self) -> Hardware:
        return self.open.url, self.open.body

    def called(self) -> str:
        body = f" with {shown(self.open.body)}" if self.open.body else ""
        return f"the address {shown(self.open.url)}{body}"


class MqttValveBlock(DriverBlock):
    topic: PlainTopic = key("Where open and close are sent.", "shed/valve/tomatoes")
    convention: Annotated[Literal["homie"], choice("homie")] | None = key(
        "homie: speak the open convention of that name; the topic is then a property.", "homie", None)
    duration: PlainTopic | None = key(
        "Under homie: property that gets the seconds first, so that the relay closes by itself.",
        "homie/shed/tomatoes/duration", None)
    state_topic: PlainTopic | None = key(
        "Where the relay reports open or closed after every command: only that confirms then.",
        "shed/valve/tomatoes/state", None)

    def hardware(self) -> Hardware:
        return (to_set(self.topic) if self.convention else self.topic,)

    def called(self) -> str:
        return f"the topic {shown(self.hardware()[0])}"


class ProgramBlock(DriverBlock):
    short_for: ClassVar[str | None] = "run"
    short_is_list: ClassVar[bool] = True
    run: Command = key("The program, run with `open SECONDS` or `close` appended.",
                       "[/usr/local/bin/relay, tomatoes]")
    state: Command | None = key(
        "A program that prints whether it is open, as true or false, on or off, open or closed, 1 or 0: what "
        "it says then counts.", "[/usr/local/bin/relay, tomatoes, state]", None)

    def settings(self) -> dict[str, Any]:
        state = {} if self.state is None else {"state": list(self.state)}
        return {"command": list(self.run)} | state

    def hardware(self) -> Hardware:
        return tuple(self.run)

    def called(self) -> str:
        return f"the program {shown(' '.join(self.run))}"


class ValveBlock(Block):
    """Exactly one driver."""

    one_of: ClassVar[tuple[str, ...]] = ("gpio", "command", "http", "mqtt", "by_hand")
    gpio: GpioBlock | None = key("A relay on a pin of this computer.", "17", None)
    command: ProgramBlock | None = key(
        "A program, run with `open SECONDS` or `close` appended.", "[/usr/local/bin/relay, tomatoes]", None)
    http: HttpValveBlock | None = key(
        "A relay on the network.",
        '{open: {url: "http://192.0.2.7/1?on={seconds}"}, close: {url: "http://192.0.2.7/1?off"}}', None)
    mqtt: MqttValveBlock | None = key(
        "A relay behind a message broker.", "{topic: shed/valve/tomatoes}", None)
    by_hand: Flag | None = key("You open and close it.", "true", None)
    cap: Annotated[float, quantity("duration", above=0, most=1440)] = key(
        "The valve never stays open longer than this.", "6 h", 360.0)
    limit: Annotated[float, seconds(1, LIMIT_S)] | None = key(
        f"A command, http or mqtt call not confirmed within this has failed. Without it: {LIMIT_S:g} s.",
        "5 s", None)
    acts_within: Annotated[float, quantity("duration", least=ACTS_WITHIN_S / 60, most=60)] = key(
        "An open that was not confirmed may still take effect for so long; until then its valve counts as "
        "open and is closed again and again.", "2 min", ACTS_WITHIN_S / 60)

    def driver(self) -> tuple[str, DriverBlock] | None:
        """Name of the driver and what it is told; None for a valve that a person turns."""
        found = ((name, getattr(self, name)) for name in self.one_of)
        return next(((name, told) for name, told in found if isinstance(told, DriverBlock)), None)


class MasterValveBlock(ValveBlock):
    opens_before: LagMinutes = key("So long before the first zone opens.", "5 s", 0.0)
    closes_after: LagMinutes = key("So long after the last zone has closed.", "5 s", 0.0)


class MqttTopicBlock(Block):
    topic: Topic = key("The topic.", "shed/notices")


class NotifyBlock(Block):
    """Exactly one way."""

    one_of: ClassVar[tuple[str, ...]] = ("command", "http", "mqtt")
    command: Command | None = key("A program; the text comes on its input.", "[/usr/local/bin/tell]", None)
    http: HttpCallBlock | None = key("A call.", '{method: POST, url: "http://192.0.2.7/tell"}', None)
    mqtt: MqttTopicBlock | None = key("A message.", "{topic: shed/notices}", None)


class BrokerBlock(Block):
    host: Name = key("Its name or address.", "localhost")
    port: Annotated[int, whole_number(1, 65535, "a port number", "1883")] = key("Its port.", "1883", 1883)
    user: Name | None = key("User name, if it asks for one.", "rowwater", None)
    password_file: FilePath | None = key(
        "File that holds the password; never the password itself.", "/etc/rowwater/broker", None)


class MeterBlock(Block):
    """Exactly one way to read it."""

    one_of: ClassVar[tuple[str, ...]] = ("gpio", "mqtt", "http", "command")
    gpio: Pin | None = key("Pin on which it pulses.", "27", None)
    liters_per_pulse: Annotated[float, quantity("volume", above=0, bare=True)] | None = key(
        "Water per pulse; a bare number is liters.", "0.5", None)
    mqtt: MqttTopicBlock | None = key("Topic with its reading in liters.", "{topic: shed/meter}", None)
    http: HttpCallBlock | None = key(
        "Call that answers its reading in liters.", '{url: "http://192.0.2.8/"}', None)
    command: Command | None = key(
        "Program that prints its reading in liters.", "[/usr/local/bin/meter]", None)
