"""The page's certificate and its key: can they be used, and until when."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.service.child import run_child
from scheduler.web.settings import Settings

TIME_LIMIT_S = 10.0


class Unusable(CouldNot):
    """The certificate or its key; `which`: as garden.yaml names it."""

    def __init__(self, which: str, text: str) -> None:
        super().__init__(text)
        self.which = which


def look_at_certificate(settings: Settings) -> None:
    """Unusable, with its name in garden.yaml, where certificate or key cannot be read or do not fit."""
    if settings.certificate is not None:
        look_at(settings.certificate, settings.key)


def look_at(certificate: Path, key: Path | None) -> None:
    """key: None where nobody but the page may read it; then the certificate alone is looked at. Unusable."""
    for which, path in (("certificate", certificate), ("key", key)):
        if path is None:
            continue
        try:
            path.read_bytes()
        except OSError as error:
            raise Unusable(which, f"{path} cannot be read: {error.strerror or error}") from error
    try:
        if key is None:
            ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(certificate)
        else:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, lambda: b"")
    except (OSError, ValueError) as error:
        why = "it and its key do not belong together" if "MISMATCH" in str(error) else "it is no PEM file"
        raise Unusable("certificate", f"{certificate}: {why}, or needs a password") from error


def ends_at(certificate: Path) -> datetime | None:
    """After which it is accepted no more; None where the openssl program, or the file, does not say."""
    told = run_child(["openssl", "x509", "-noout", "-enddate", "-in", str(certificate)], TIME_LIMIT_S)
    name, _, text = told.out.strip().partition("=")
    if told.status != 0 or name != "notAfter":
        return None
    try:
        return datetime.fromtimestamp(ssl.cert_time_to_seconds(text), UTC)
    except (ValueError, OverflowError):
        return None
