"""HTTP as the collector speaks it, to devices and to the service: whom it trusts."""

from __future__ import annotations

import ssl
from typing import Any

import httpx

from service.collect.config import Trust


def client(trust: Trust, **options: Any) -> httpx.Client:
    """Return a client that takes the certificates it is told to take."""
    return httpx.Client(verify=_context(trust), **options)


def _context(trust: Trust) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(trust.ca_file) if trust.ca_file else None)
    if not trust.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context
