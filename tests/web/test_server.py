"""The real server on a loopback port: slow clients, TLS, what stands in the way of a start, its end."""

from __future__ import annotations

import contextlib
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import requests
from web.conftest import Shed, rowwater, settings_of
from web.real import Phone, free_port

from scheduler.errors import CouldNot
from scheduler.web import connection, server, shown
from scheduler.web.app import application
from scheduler.web.certificate import Unusable, look_at_certificate
from scheduler.web.door import MOST_IN_ALL, MOST_OF_ONE, Door
from scheduler.web.phones import Phones
from scheduler.web.settings import Settings

Run = Callable[..., Settings]


@pytest.fixture
def run(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> Iterator[Run]:
    """Serves in a thread until the test is over; the times that clients have are short."""
    monkeypatch.setattr(connection, "WHOLE_IN_S", 0.6)
    monkeypatch.setattr(connection, "TAKEN_IN_S", 1.5)
    running: list[tuple[server.Ending, threading.Thread]] = []

    def start(idle_s: float | None = None, **more: object) -> Settings:
        found = settings_of(shed.folder, listen=f"127.0.0.1:{free_port()}", **more)
        door = server.own_socket(found)
        ending = server.made(application(found), found, idle_s)
        monkeypatch.setattr(ending, "capture_signals", contextlib.nullcontext)
        thread = threading.Thread(target=ending.run, args=([Door(door)],), daemon=True)
        thread.start()
        running.append((ending, thread))
        return found

    yield start
    for ending, thread in running:
        ending.should_exit = True
        thread.join(20)
        assert not thread.is_alive()


def connected(settings: Settings, own: str = "") -> socket.socket:
    """own: the address that it comes from."""
    door = socket.create_connection(settings.address, 10, (own, 0) if own else None)
    door.settimeout(10)
    return door


def ended_after(door: socket.socket) -> float:
    """Seconds until the other side has closed; what it still says is read and dropped."""
    begin = time.monotonic()
    with contextlib.suppress(ConnectionError):
        while door.recv(65536):
            pass
    return time.monotonic() - begin


def request(settings: Settings, path: str = "/pair") -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: {settings.address[0]}:{settings.address[1]}\r\n\r\n".encode()


# --- slow clients ---


def test_a_connection_that_says_nothing_is_closed(run: Run) -> None:
    with connected(run()) as door:
        assert 0.3 < ended_after(door) < 5


@pytest.mark.parametrize(
    "head", ["GET / HTTP/1.1\r\n", "POST /pair HTTP/1.1\r\nHost: x\r\nContent-Length: 50\r\n\r\n"]
)
def test_a_request_that_drips_is_closed(run: Run, head: str) -> None:
    """A byte now and then keeps no connection open: the whole of it has its time."""
    with connected(run()) as door:
        door.sendall(head.encode())
        begin = time.monotonic()
        with contextlib.suppress(ConnectionError, socket.timeout):
            door.settimeout(0.1)
            while time.monotonic() < begin + 5:
                door.sendall(b"x")
                with contextlib.suppress(TimeoutError):
                    if not door.recv(65536):
                        break
        assert time.monotonic() - begin < 4


def test_who_does_not_take_the_answer_is_cut_off(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """More than the kernel keeps for both sides waits in the program, and not for ever."""
    monkeypatch.setattr(shown, "static_file", lambda _: (b"x" * 20_000_000, "text/css"))
    settings = run()
    with connected(settings) as door:
        door.sendall(request(settings, "/static/style.css"))
        time.sleep(3.5)
        got = 0
        with contextlib.suppress(ConnectionError):
            while more := door.recv(1 << 20):
                got += len(more)
    assert 0 < got < 19_000_000


def test_slow_ones_hold_up_nobody(run: Run) -> None:
    settings = run()
    with contextlib.ExitStack() as many:
        for _ in range(MOST_OF_ONE - 1):
            many.enter_context(connected(settings)).sendall(b"GET / HTTP")
        begin = time.monotonic()
        assert requests.get(f"{settings.url}/pair", timeout=5).status_code == 200
        assert time.monotonic() - begin < 2
        extra = [many.enter_context(connected(settings)) for _ in range(3)]
        assert ended_after(extra[-1]) < 0.5, "one address gets no more than its share"


def test_a_connection_serves_many_requests_in_their_own_time(run: Run) -> None:
    """The clock of one request is not that of the next."""
    settings = run()
    with requests.Session() as session:
        for _ in range(4):
            assert session.get(f"{settings.url}/pair", timeout=5).status_code == 200
            time.sleep(0.4)


@pytest.mark.parametrize("length", ["Content-Length: 4000000", "Transfer-Encoding: chunked"])
def test_a_photo_is_not_waited_for(run: Run, length: str) -> None:
    settings = run()
    with connected(settings) as door:
        host = f"{settings.address[0]}:{settings.address[1]}"
        door.sendall(
            f"POST /pair HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n{length}\r\n\r\n".encode()
        )
        with contextlib.suppress(ConnectionError):
            for _ in range(40):
                door.sendall(b"2710\r\n" + b"x" * 10000 + b"\r\n")
        with contextlib.suppress(ConnectionError):
            assert door.recv(100).startswith((b"HTTP/1.1 413", b"HTTP/1.1 403"))
        assert ended_after(door) < 5


@pytest.mark.parametrize(
    "junk",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc",
        b"\x00" * 100,
        b"GET /\xff HTTP/1.1\r\n\r\n",
        b"A" * 70000,
    ],
)
def test_what_is_no_http_gets_no_more_than_a_word(run: Run, junk: bytes) -> None:
    settings = run()
    with connected(settings) as door:
        with contextlib.suppress(ConnectionError):
            door.sendall(junk)
        assert ended_after(door) < 5
    assert requests.get(f"{settings.url}/pair", timeout=5).status_code == 200


# --- its end ---


def test_it_ends_when_nobody_asks(run: Run) -> None:
    settings = run(idle_s=0.5)
    assert requests.get(f"{settings.url}/pair", timeout=5).status_code == 200
    time.sleep(1.5)
    with pytest.raises(requests.ConnectionError):
        requests.get(f"{settings.url}/pair", timeout=5)


# --- TLS ---


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Made by its owner, as on a shed's computer."""
    if not shutil.which("openssl"):
        pytest.skip("no openssl on this machine")
    folder = tmp_path_factory.mktemp("tls")
    certificate, key = folder / "page.crt", folder / "page.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1",
         "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return certificate, key


def test_tls_with_a_certificate_of_one_s_own(
    run: Run, certificate: tuple[Path, Path], at: Callable[..., None], shed: Shed
) -> None:
    from datetime import UTC, datetime

    at(datetime.now(UTC))  # a cookie that ran out in 2015 would not be sent
    settings = run(certificate=certificate[0], key=certificate[1])
    look_at_certificate(settings)
    assert settings.url.startswith("https://")
    phone = Phone(settings.url, verify=str(certificate[0]))
    phone.get("/pair")
    phone.send("/pair", code=Phones(settings.folder).new_code("note", None, datetime.now(UTC)), name="Ann")
    assert phone.status == 200
    (cookie,) = (one for one in phone.session.cookies if "visitor" not in one.name)
    assert cookie.name.startswith("__Host-")
    assert cookie.secure
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_2
    with connected(settings) as plain, context.wrap_socket(plain) as door:
        assert door.version() == "TLSv1.2"
    with connected(settings) as plain:
        plain.sendall(request(settings))
        assert ended_after(plain) < 5, "no answer without TLS"


def test_whoever_never_begins_with_tls_holds_up_nobody(run: Run, certificate: tuple[Path, Path]) -> None:
    """No protocol hears of them: they are counted as they come, and have no more time than a request."""
    settings = run(certificate=certificate[0], key=certificate[1])

    def answered() -> bool:
        got = requests.get(f"{settings.url}/pair", timeout=5, verify=str(certificate[0]))
        return got.status_code == 200

    with contextlib.ExitStack() as many:
        silent = [many.enter_context(connected(settings, "127.0.0.2")) for _ in range(MOST_OF_ONE + 6)]
        assert answered()
        assert ended_after(silent[-1]) < 0.3, "one address gets no more than its share"
        assert ended_after(silent[0]) < 5
        assert answered()


def test_all_addresses_together_get_no_more_than_the_unit_bears() -> None:
    """And whoever ends makes room for another."""
    with contextlib.ExitStack() as many:
        door = many.enter_context(Door(socket.create_server(("127.0.0.1", 0), backlog=MOST_IN_ALL)))
        taken = []
        for k in range(MOST_IN_ALL + 1):
            many.enter_context(socket.create_connection(door.getsockname(), 5, (f"127.0.1.{k // 10}", 0)))
            if k < MOST_IN_ALL:
                taken.append(many.enter_context(door.accept()[0]))
        with pytest.raises(ConnectionAbortedError):
            door.accept()
        for one in taken[:2]:
            one.close()
            one.close()
        many.enter_context(socket.create_connection(door.getsockname(), 5))
        many.enter_context(door.accept()[0])


IPV6_NEIGHBOUR = """
import contextlib, socket
from scheduler.web.door import MOST_OF_ONE, MOST_OF_ONE_NETWORK, Door

NETWORK = "2001:db8:0:1::"

def comes(door, host):
    \"""Whether one more connection of that address is taken.\"""
    one = many.enter_context(socket.socket(socket.AF_INET6))
    one.setsockopt(socket.IPPROTO_IPV6, 78, 1)  # IPV6_FREEBIND: an address that no interface has
    one.bind((host, 0))
    one.connect(("::1", door.getsockname()[1]))
    try:
        many.enter_context(door.accept()[0])
    except ConnectionAbortedError:
        return False
    return True

with contextlib.ExitStack() as many:
    listening = socket.create_server(("::", 0), family=socket.AF_INET6, dualstack_ipv6=True, backlog=128)
    door = many.enter_context(Door(listening))
    taken = [comes(door, f"{NETWORK}{k:x}") for k in range(1, MOST_OF_ONE_NETWORK + 30)]
    assert taken == [True] * MOST_OF_ONE_NETWORK + [False] * 29, taken
    assert [comes(door, "2001:db8:0:2::1") for _ in range(13)] == [True] * MOST_OF_ONE + [False]
    for k in range(40):  # as IPv4-mapped addresses, all in one /64
        at = "127.0.0.1", door.getsockname()[1]
        many.enter_context(socket.create_connection(at, 5, (f"127.0.1.{k}", 0)))
        many.enter_context(door.accept()[0])
"""


def test_a_neighbour_with_a_network_of_ipv6_addresses_leaves_room_for_others() -> None:
    """In a network namespace of its own, whose loopback answers for all addresses of two networks."""
    lo = "ip link set lo up && ip -6 route add local 2001:db8::/48 dev lo"
    namespace = ["unshare", "--net", "--map-root-user", "sh", "-c"]
    if subprocess.run([*namespace, lo], capture_output=True, check=False).returncode:
        pytest.skip("no network namespace can be made here, or it has no IPv6")
    code = [*namespace, f'{lo} && exec "$0" -P -c "$1"', sys.executable, IPV6_NEIGHBOUR]
    done = subprocess.run(code, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr


# --- what stands in the way of a start ---


def test_a_taken_port_is_named(shed: Shed) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with shed.settings.config.open("a") as garden:
            garden.write(f"page: 127.0.0.1:{port}\n")
        status, said = rowwater("--config", str(shed.settings.config), "--data", str(shed.data), "page")
    assert status == 1
    assert said.splitlines()[0] == f"rowwater: 127.0.0.1:{port}: that port is taken by another program"


def test_an_address_of_another_computer_is_named() -> None:
    with pytest.raises(CouldNot, match="none of this computer's"):
        server.own_socket(settings_of(Path(), listen="192.0.2.1:8008"))


@pytest.mark.parametrize(
    ("text", "said"),
    [(None, "cannot be read: No such file or directory"), ("no PEM", "no PEM file"), ("", "no PEM file")],
)  # fmt: skip
def test_a_certificate_that_cannot_be_read_is_named_by_its_line(
    shed: Shed, certificate: tuple[Path, Path], text: str | None, said: str
) -> None:
    config = shed.settings.config
    line = len(config.read_text().splitlines()) + 3
    with config.open("a") as garden:
        garden.write("page:\n  listen: 127.0.0.1:8008\n  certificate: page.crt\n  key: page.key\n")
    if text is not None:
        (shed.folder / "page.crt").write_text(text)
    shutil.copy(certificate[1], shed.folder / "page.key")
    places = ("--config", str(config), "--data", str(shed.data))
    status, told = rowwater(*places, "page")
    assert status == 2
    assert told.startswith(f"rowwater: garden.yaml:{line}: page.certificate: {shed.folder / 'page.crt'}")
    assert said in told
    assert rowwater(*places, "check", "--offline", "--date", "2015-07-09")[0] in (0, 3), (
        "the valves' garden is right"
    )


def test_a_key_that_cannot_be_read_or_belongs_to_another_is_named(
    shed: Shed, certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    with pytest.raises(Unusable, match="cannot be read") as found:
        look_at_certificate(settings_of(tmp_path, certificate=certificate[0], key=tmp_path / "none"))
    assert found.value.which == "key"
    other = tmp_path / "other.key"
    subprocess.run(
        ["openssl", "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", str(other)],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    with pytest.raises(Unusable, match="do not belong together"):
        look_at_certificate(settings_of(tmp_path, certificate=certificate[0], key=other))
