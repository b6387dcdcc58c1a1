"""A device on the site's network: a real HTTP server that knows who may ask, and a sink that remembers."""

from __future__ import annotations

import hashlib
import json
import re
import ssl
import time
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

from service.intake.live.model import Sample

USER, PASSWORD, TOKEN = "reader", "öre-and-øre", "t0k3n"
NONCE = "dcd98b7102dd2f0e8b11d0f600bfb0c093"


@dataclass
class Heard:
    """A sink that keeps what it is given in memory."""

    found: list[Sample] = field(default_factory=list)
    files: list[tuple[str, bytes]] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    times: int = 0

    def samples(self, _source: str, found: list[Sample]) -> None:
        """Keep samples."""
        self.found += found

    def file(self, _source: str, path: Path) -> None:
        """Keep a file."""
        self.files.append((path.name, path.read_bytes()))

    def heard(self, _source: str) -> None:
        """Count the times."""
        self.times += 1

    def trouble(self, _source: str, message: str) -> None:
        """Keep a trouble."""
        self.troubles.append(message)


@dataclass
class Device:
    """What the server answers, by path; and whom it lets in."""

    address: str = ""
    answers: dict[str, Callable[[], Any]] = field(default_factory=dict)
    auth: str = ""
    asked: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)

    def says(self, path: str, answer: Any) -> str:
        """Let the device answer a path with bytes or JSON, or with what a function gives, and return the address."""
        self.answers[path] = answer if callable(answer) else lambda: answer
        return self.address + path


class _Handler(BaseHTTPRequestHandler):
    device: Device

    def do_GET(self) -> None:
        """Answer as the device does."""
        device = self.device
        device.asked.append(self.path)
        device.headers.append(dict(self.headers.items()))
        if not _may(device.auth, self.headers.get("Authorization", ""), self.path):
            self._answer(401, b"", {"WWW-Authenticate": _challenge(device.auth)})
        elif self.path.startswith("/to/"):
            self._answer(302, b"", {"Location": self.path.removeprefix("/to/")})
        elif self.path.startswith("/status/"):
            self._answer(int(self.path.rpartition("/")[2]), b"")
        elif self.path == "/slow":
            time.sleep(0.5)
            self._answer(200, b"{}")
        else:
            answer = device.answers.get(self.path, lambda: None)()
            body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
            self._answer(404 if answer is None else 200, body)

    def _answer(self, status: int, body: bytes, headers: dict[str, str] | None = None) -> None:
        self.send_response(status)
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        with suppress(BrokenPipeError):  # the other has given up
            self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def _challenge(kind: str) -> str:
    if kind == "digest":
        return f'Digest realm="device", qop="auth", algorithm=SHA-256, nonce="{NONCE}"'
    return f'{kind.title()} realm="device"'


def _may(kind: str, sent: str, path: str) -> bool:
    """Return whether a request may pass, worked out here by RFC 7617, RFC 6750 and RFC 7616."""
    if kind == "basic":
        return sent == "Basic " + b64encode(f"{USER}:{PASSWORD}".encode()).decode()
    if kind == "bearer":
        return sent == f"Bearer {TOKEN}"
    if kind == "digest":
        given = dict(re.findall(r'(\w+)="?([^",]+)"?', sent))
        return sent.startswith("Digest ") and given.get("response") == _digest(given, path)
    return True


def _digest(given: dict[str, str], path: str) -> str:
    def of(*parts: str) -> str:
        return hashlib.sha256(":".join(parts).encode()).hexdigest()

    secret, what = of(USER, "device", PASSWORD), of("GET", path)
    return of(secret, NONCE, given.get("nc", ""), given.get("cnonce", ""), "auth", what)


@contextmanager
def device(certificate: Path | None = None) -> Iterator[Device]:
    """Serve a device on a port of this machine."""
    made = Device()
    handler = type("Handler", (_Handler,), {"device": made})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, certificate.with_suffix(".key"))
        server.socket = context.wrap_socket(server.socket, server_side=True)
    made.address = f"http{'s' if certificate else ''}://127.0.0.1:{server.server_address[1]}"
    Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
    yield made
    server.shutdown()
    server.server_close()
