"""Ports of this machine for the servers that tests start."""

from __future__ import annotations

import socket


def free_port() -> int:
    """Return a port of this machine that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port
