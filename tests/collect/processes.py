"""A collector as a process of its own, to be killed as a power cut would, and a device whose days pass in seconds."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.collect.device import Device
from tests.imports import ROOT

COMMAND = (sys.executable, "-c", "from service.cli import app; app(prog_name='yieldproof')")
BEGIN = datetime(2026, 6, 14, 4, 0, tzinfo=UTC)
STEP = timedelta(minutes=1)
SHOWN = 300
"""The device shows so many of its last values: a collector that comes back in time misses none."""
PATIENCE_S = 60


@dataclass
class Roof:
    """A device that tells its last values with their times; every answer is some minutes later than the one before."""

    device: Device
    minutes_per_answer: int = 60
    until_min: int = 480
    passed_min: int = 0
    shown: set[int] = field(default_factory=set)

    def answer(self) -> Any:
        """Return the last values, and let time pass."""
        self.passed_min = min(self.passed_min + self.minutes_per_answer, self.until_min)
        minutes = range(max(0, self.passed_min - SHOWN), self.passed_min + 1)
        self.shown |= set(minutes)
        return [
            {"sn": serial, "at": (BEGIN + m * STEP).isoformat(), "wh": counter(serial, m)}
            for serial in ("101", "102", "103")
            for m in minutes
        ]


def counter(serial: str, minute: int) -> float:
    """Return what a unit's counter stands at: another power in each five minutes."""
    whole, part = divmod(minute, 5)
    return 1000.0 + sum(energy(serial, n) for n in range(whole)) + energy(serial, whole) * part / 5


def energy(serial: str, interval: int) -> float:
    """Return what a unit makes in the n-th interval, Wh."""
    return 1.0 + (int(serial) * 7 + interval * 13) % 19


def expected(until_min: int) -> dict[tuple[str, str, int], float]:
    """Return what the service must hold in the end."""
    begin = int(BEGIN.timestamp())
    return {
        (serial, "energy_wh", begin + n * 300): energy(serial, n)
        for serial in ("101", "102", "103")
        for n in range(until_min // 5)
    }


def head(folder: Path, service: str, site: str) -> str:
    """Return where a collector sends, by the token in the folder, and where it keeps what it has."""
    return f"""
[service]
url = "{service}"
site = "{site}"
token_file = "{folder / "token"}"
timeout_s = 5
[collector]
outbox = "{folder / "outbox.sqlite"}"
send_every_s = 1"""


def configuration(folder: Path, service: str, site: str, token: str, url: str) -> Path:
    """Write a configuration, and return its path."""
    file = folder / "collect.toml"
    (folder / "token").write_text(token)
    file.write_text(f"""{head(folder, service, site)}
[[source]]
kind = "http"
name = "hub"
url = "{url}"
every_s = 1
[source.payload]
serial = {{ path = "@.sn" }}
time = {{ path = "@.at" }}
values = {{ counter_wh = "@.wh" }}
""")
    return file


def started(
    *words: str | Path,
    environment: Mapping[str, str] | None = None,
    log: Path | None = None,
    command: Sequence[str] = COMMAND,
) -> subprocess.Popen[str]:
    """Start a command of ours as a process of its own; what it says may go to a file."""
    with (log or Path(os.devnull)).open("a") as file:
        to = subprocess.PIPE if log is None else file
        return subprocess.Popen(
            [*command, *map(str, words)],
            cwd=ROOT,
            env={**os.environ, **(environment or {})},
            stdout=to,
            stderr=to,
            text=True,
        )


def killed(process: subprocess.Popen[str]) -> None:
    """Kill a process as a power cut would: it gets no word in."""
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=10)


def wait_until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until something has become true."""
    deadline = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.1)
