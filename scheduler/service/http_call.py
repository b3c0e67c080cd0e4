"""One plain HTTP call of the service: no proxy, bounded in time and in what it reads."""

from __future__ import annotations

from collections.abc import Mapping

MOST_BYTES = 1000


def http_call(
    url: str, *, method: str, body: str | None, limit_s: float, headers: Mapping[str, str] | None = None
) -> str:
    """The beginning of the answer's body. Raises OSError or ValueError where none with a good status came."""
    import urllib.request  # with ssl it weighs several MB: only where it is used

    request = urllib.request.Request(  # noqa: S310 - the address is the grower's own
        url, data=None if body is None else body.encode(), method=method, headers=dict(headers or {})
    )
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(request, timeout=limit_s) as answer:
        return str(answer.read(MOST_BYTES).decode(errors="replace"))
