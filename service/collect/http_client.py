"""HTTP as the collector speaks it, to devices and to the service: whom it trusts."""

from __future__ import annotations

import ssl
from typing import Any

import httpx

from service.collect.config import Trust


def client(trust: Trust, **options: Any) -> httpx.Client:
    """Return a client that takes the certificates it is told to take."""
    return httpx.Client(verify=_context(trust), **options)


def hindrance(error: Exception) -> tuple[str, str]:
    """Return why there is no answer, and what to do about it where that is not the usual."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, ssl.SSLError):
        cause = cause.__cause__ or cause.__context__
    if isinstance(cause, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not the one expected: {cause.verify_message.rstrip('.')}",
            "give the certificate of whoever signed it in ca_file, and in the url the name that it is made out to",
        )
    if cause is not None and cause.reason == "WRONG_VERSION_NUMBER":
        return "it does not speak TLS", "check the port, and whether the url must begin with http://"
    return str(error).strip() or type(error).__name__, ""


def _context(trust: Trust) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(trust.ca_file) if trust.ca_file else None)
    if not trust.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context
