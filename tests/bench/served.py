"""A real server on a port of this machine, with a database of its own, for measuring from outside."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from service.store.accounts import create_token, create_user
from service.store.database import make_engine, writing
from service.store.migrate import upgrade
from tests.ports import free_port

COMMAND = "from service.cli import app; app()"
START_S = 60
NAME, PASSWORD = "Ida Quarrie", "slate-and-moss"


@dataclass(frozen=True)
class Served:
    """A running server: a client with a token, its process, and a client of somebody of the office."""

    client: httpx.Client
    pid: int
    person: httpx.Client

    def resident_mb(self) -> float:
        """Return the memory that the process holds now."""
        pages = int(Path(f"/proc/{self.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


@contextmanager
def served(folder: Path, *, worker: bool = False) -> Iterator[Served]:
    """Serve from a new SQLite file in the folder until the block ends."""
    url = f"sqlite:///{folder / 'bench.sqlite'}"
    token, port = _prepare(url), free_port()
    environment = {
        **os.environ,
        "YIELDPROOF_DATABASE_URL": url,
        "YIELDPROOF_SECRET_KEY": "0123456789abcdef" * 4,
        "YIELDPROOF_RUN_WORKER": str(worker).lower(),
    }
    command = [sys.executable, "-c", COMMAND, "serve", "--port", str(port)]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    headers, base = {"Authorization": f"Bearer {token}"}, f"http://127.0.0.1:{port}"
    try:
        with (
            httpx.Client(base_url=base, headers=headers, timeout=120) as client,
            httpx.Client(base_url=base, timeout=120, follow_redirects=True) as person,
        ):
            _wait(client)
            person.post("/sign-in", data={"name": NAME, "password": PASSWORD}).raise_for_status()
            yield Served(client, process.pid, person)
    finally:
        process.terminate()
        process.wait(timeout=60)


def _prepare(url: str) -> str:
    engine = make_engine(url)
    upgrade(engine)
    with writing(engine) as session:
        token = create_token(session, "bench")
        create_user(session, NAME, PASSWORD, "office")
    engine.dispose()
    return token


def _wait(client: httpx.Client) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        try:
            if client.get("/readyz").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.2)
    raise TimeoutError("the server did not become ready")
