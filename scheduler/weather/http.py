"""One careful HTTP GET: a total time limit that holds, bounded size, redirects and tries, growing pauses.

The library's own timeout is per read: a server that drips bytes, or a name look-up that hangs, outlives
it. So each try runs in a thread that is left behind when the time is up.
"""

from __future__ import annotations

import queue
import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Protocol
from urllib.parse import urljoin, urlsplit

from scheduler.errors import CouldNot

if TYPE_CHECKING:
    import requests

TOTAL_SECONDS = 60.0
TRIES = 3
FIRST_PAUSE_SECONDS = 2.0
MAX_BYTES = 5_000_000
MAX_REDIRECTS = 3
READ_SECONDS = 20.0  # of silence, before a try is given up
CHUNK_BYTES = 16_384
AGENT = "rowwater (daily weather for one garden)"
REDIRECTS = frozenset({301, 302, 303, 307, 308})
KEPT_HEADERS = ("etag", "last-modified", "cache-control", "age", "expires", "date")
NETWORK_HINT = "the network may be down; the daily job tries again"


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer with any status; `text` is the whole body, read as UTF-8."""

    status: int
    text: str
    retry_after_seconds: float | None = None
    headers: Mapping[str, str] = field(default_factory=dict, compare=False)
    """Those that say how long the answer holds (`KEPT_HEADERS`), in small letters."""


class Get(Protocol):
    """The door to the network: one GET, which takes no longer than it is given. Raises CouldNot."""

    def __call__(
        self,
        url: str,
        params: Mapping[str, str] | None = None,
        /,
        *,
        headers: Mapping[str, str] | None = None,
        total_seconds: float = TOTAL_SECONDS,
    ) -> Reply: ...


@dataclass(frozen=True, slots=True)
class _Failed:
    """A try that brought no answer."""

    text: str
    hint: str | None = None
    again: bool = True  # another try may help


def get(
    url: str,
    params: Mapping[str, str] | None = None,
    /,
    *,
    headers: Mapping[str, str] | None = None,
    total_seconds: float = TOTAL_SECONDS,
    tries: int = TRIES,
    use_proxies: bool = False,
    sleep: Callable[[float], None] = time.sleep,
    monotonic: Callable[[], float] = time.monotonic,
    chance: Callable[[], float] = random.random,
) -> Reply:
    """GET `url`; 5xx, 429 and failures of the connection are tried again within `total_seconds`.

    use_proxies: obey proxy variables and .netrc of the environment.
    chance: gives a number in 0..1 that spreads the pauses.
    Returns the last answer, whatever its status. Raises CouldNot where none came.
    """
    deadline = monotonic() + total_seconds
    outcome: Reply | _Failed = _Failed(f"{_host(url)} was not asked", again=False)
    for attempt in range(1, tries + 1):
        left = deadline - monotonic()
        if left > 0:
            outcome = _within(left, total_seconds, url, params, headers or {}, use_proxies, monotonic)
        if not _worth_another(outcome) or attempt == tries:
            break
        pause = FIRST_PAUSE_SECONDS * 2 ** (attempt - 1) * (0.5 + chance())
        if isinstance(outcome, Reply) and outcome.retry_after_seconds is not None:
            pause = max(pause, outcome.retry_after_seconds)
        if pause >= deadline - monotonic():
            break
        sleep(pause)
    if isinstance(outcome, _Failed):
        raise CouldNot(outcome.text, hint=outcome.hint)
    return outcome


def _host(url: str) -> str:
    try:
        return urlsplit(url).hostname or url
    except ValueError:
        return url


def _worth_another(outcome: Reply | _Failed) -> bool:
    if isinstance(outcome, _Failed):
        return outcome.again
    return outcome.status == 429 or outcome.status >= 500


def _within(
    left: float,
    total_seconds: float,
    url: str,
    params: Mapping[str, str] | None,
    headers: Mapping[str, str],
    use_proxies: bool,
    monotonic: Callable[[], float],
) -> Reply | _Failed:
    """One try that returns after `left` seconds at the latest, whatever the other side does."""
    host = _host(url)
    too_long = _Failed(f"{host} did not answer within {total_seconds:g} s", NETWORK_HINT, again=False)
    answers: queue.SimpleQueue[Reply | _Failed] = queue.SimpleQueue()
    deadline = monotonic() + left

    def work() -> None:
        try:
            answers.put(_once(url, params, headers, use_proxies, lambda: deadline - monotonic()) or too_long)
        except Exception as problem:  # must reach the waiting side, whatever it is
            answers.put(_Failed(f"{host}: {type(problem).__name__}: {problem}", again=False))

    threading.Thread(target=work, name=f"weather {host}", daemon=True).start()
    try:
        return answers.get(timeout=left)
    except queue.Empty:
        return too_long


def _once(
    url: str,
    params: Mapping[str, str] | None,
    headers: Mapping[str, str],
    use_proxies: bool,
    left: Callable[[], float],
) -> Reply | _Failed | None:
    """One try; None when the time ran out."""
    import requests

    with requests.Session() as session:
        session.trust_env = use_proxies
        session.headers.update({"User-Agent": AGENT, "Accept": "application/json", **headers})
        try:
            return _followed(session, url, params, left)
        except (requests.exceptions.RequestException, ValueError, OSError) as problem:
            return _failure(problem, url)


def _followed(
    session: requests.Session, url: str, params: Mapping[str, str] | None, left: Callable[[], float]
) -> Reply | _Failed | None:
    """The answer at the end of a few redirects, none of which leaves https; None when the time ran out.

    Raises what the library raises.
    """
    host = _host(url)
    for _ in range(MAX_REDIRECTS + 1):
        seconds = min(READ_SECONDS, left())
        if seconds <= 0:
            return None
        with session.get(url, params=params, stream=True, allow_redirects=False, timeout=seconds) as answer:
            if answer.status_code not in REDIRECTS or "Location" not in answer.headers:
                return _body(answer, host, left)
            target = urljoin(answer.url, answer.headers["Location"])
        if urlsplit(target).scheme not in _allowed_schemes(url):
            return _Failed(f"{host} redirects to {target}, which is not followed", again=False)
        url, params = target, None
    return _Failed(f"{host} redirects in a circle (more than {MAX_REDIRECTS} times)", again=False)


def _failure(problem: Exception, url: str) -> _Failed:
    """What went wrong, in words, and whether another try may help."""
    from requests import exceptions

    host = _host(url)
    match problem:
        case exceptions.SSLError():
            hint = "is the clock of this machine right? A network that wants a sign-in does this too"
            return _Failed(f"the certificate of {host} was not accepted", hint, again=False)
        case exceptions.ReadTimeout():
            return _Failed(f"{host} accepted the call but stayed silent", NETWORK_HINT)
        case exceptions.ConnectionError() | exceptions.ChunkedEncodingError():
            return _Failed(f"no connection to {host}, or it broke off", NETWORK_HINT)
        case ValueError():
            return _Failed(f"{url} is not an address that can be asked", again=False)
    return _Failed(f"the answer of {host} could not be read ({type(problem).__name__})")


def _allowed_schemes(url: str) -> tuple[str, ...]:
    return ("https",) if urlsplit(url).scheme == "https" else ("http", "https")


def _body(answer: requests.Response, host: str, left: Callable[[], float]) -> Reply | _Failed | None:
    body = bytearray()
    for chunk in answer.iter_content(CHUNK_BYTES):
        body += chunk
        if len(body) > MAX_BYTES:
            return _Failed(
                f"{host} sent more than {MAX_BYTES // 1_000_000} MB: no weather answer", again=False
            )
        if left() <= 0:
            return None
    return Reply(
        answer.status_code,
        body.decode("utf-8", errors="replace"),
        _retry_after(answer.headers),
        {name: answer.headers[name] for name in KEPT_HEADERS if name in answer.headers},
    )


def _retry_after(headers: Mapping[str, str]) -> float | None:
    """Seconds to wait (RFC 9110, 10.2.3: a number, or a date). A date is taken against the server's own
    clock where it tells it: the one of this machine may be wrong.
    """
    text = headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdecimal():
        return float(text[:9])
    then, now = http_date(text), http_date(headers.get("Date", "")) or datetime.now(UTC)
    return max((then - now).total_seconds(), 0.0) if then is not None else None


def http_date(text: str) -> datetime | None:
    """The moment that an HTTP header names; None where it names none."""
    try:
        moment = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
