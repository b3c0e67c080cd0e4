"""What every form carries: the phone's key, so that no other site can send it; a number that counts once."""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from base64 import urlsafe_b64encode
from datetime import datetime
from pathlib import Path

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

USED = "used.json"
COUNTS_FOR_S = 36 * 3600.0
"""A page left open in the evening still works the next morning; older ones must be loaded anew."""
MOST_USED = 2000


def csrf_of(secret: bytes, owner: str) -> str:
    """The key of all forms of one phone, or of one visitor who is about to pair."""
    return hmac.new(secret, b"csrf " + owner.encode(), hashlib.sha256).hexdigest()


def same(one: str, other: str) -> bool:
    """Without telling by its time how much of it was right."""
    return hmac.compare_digest(one.encode(), other.encode())


class Once:
    """Numbers of forms: each counts once, also where the page was started anew in between."""

    def __init__(self, folder: Path, secret: bytes) -> None:
        self._path = folder / USED
        self._secret = secret

    def fresh(self, now: datetime) -> str:
        body = f"{int(now.timestamp()):x}.{secrets.token_hex(8)}"
        return f"{body}.{self._seal(body)}"

    def use(self, number: str, now: datetime) -> str | None:
        """None: it counts. Else why not. CouldNot where it cannot be written down."""
        body, _, seal = number.rpartition(".")
        begun, _, _ = body.partition(".")
        if not body or not same(seal, self._seal(body)):
            return "this page is not of this garden any more: look again"
        at = now.timestamp()
        if at - int(begun, 16) > COUNTS_FOR_S:
            return "this page was too old: nothing was done; here is a new one"
        used = {key: when for key, when in self._used().items() if at - when < COUNTS_FOR_S}
        if body in used:
            return "that was sent twice: it was done once"
        self._keep({**used, body: at})
        return None

    def _seal(self, body: str) -> str:
        sealed = hmac.new(self._secret, b"once " + body.encode(), hashlib.sha256).digest()
        return urlsafe_b64encode(sealed[:12]).decode()

    def _used(self) -> dict[str, float]:
        try:
            page = read_json(self._path.read_bytes())
            return {str(key): float(at) for key, at in page.items()}
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise CouldNot(f"{self._path} cannot be read ({error.strerror or error})") from error
        except (ValueError, TypeError, AttributeError):  # torn: seals and ages still hold
            return {}

    def _keep(self, used: dict[str, float]) -> None:
        newest = sorted(used.items(), key=lambda one: one[1])[-MOST_USED:]
        write_atomic(self._path, json.dumps(dict(newest)) + "\n", mode=0o600)
