"""A collector and a Modbus device whose time runs fast, as processes of their own: minutes hold hours of a roof.

`python -m tests.collect.quick SINCE collect CONFIG` and `... SINCE modbus PORT`; SINCE is for how long the machine was
on when their time began. The device's units have counters that go on evenly: whenever they are read, every interval of
one has the same energy, as far as the time between answer and reading lets it.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zlib import crc32

from service.cli import app
from service.collect import clock
from service.collect.clock import Clock, on_s
from service.collect.outbox import Outbox
from service.intake.live.model import Sample
from tests.collect.modbus_server import modbus_server, words
from tests.collect.processes import BEGIN

SPEED, SLOW_S, DIES_OF = 20, 0.07, 20
POWERS_W = {"201": 240.0, "202": 330.0}
"""By serial; the n-th is device n."""


def quick_time(since: float, on_for_s: float) -> datetime:
    """Return the time after the machine was on for so long."""
    return BEGIN + timedelta(seconds=SPEED * (on_for_s - since))


class QuickClock(Clock):
    """Known without being compared."""

    since = 0.0
    is_known = True

    def now(self) -> datetime:
        """Return the time."""
        return self.at(on_s())

    def at(self, on_for_s: float) -> datetime:
        """Return the time then."""
        return quick_time(self.since, on_for_s)


def collect(since: float, config: str) -> None:
    """Be a collector."""
    QuickClock.since = since
    clock.CLOCK.__class__ = QuickClock
    Outbox.samples = _slowly(Outbox.samples, Path(config).parent)  # type: ignore[method-assign]
    app(["collect", config], prog_name="yieldproof")


def _slowly(keep: Callable[..., None], folder: Path) -> Callable[..., None]:
    """Keep as on a slow disk, and die right before or after some samples, of each once."""

    def slowly(box: Outbox, source: str, found: Sequence[Sample]) -> None:
        _wait(found, 0, folder)
        keep(box, source, found)
        _wait(found, 1, folder)

    return slowly


def _wait(found: Sequence[Sample], turn: int, folder: Path) -> None:
    time.sleep(SLOW_S)
    for sample in found:
        name = f"{sample.serial} {sample.at:%H%M}"
        died = folder / f"died of {name}"
        if sample.serial not in POWERS_W and crc32(name.encode()) % DIES_OF == turn and not died.exists():
            died.touch()
            os.kill(os.getpid(), signal.SIGKILL)


def modbus(since: float, port: str) -> None:
    """Be a device."""

    def counted(power_w: float) -> list[int]:
        return words(1000 + power_w * SPEED * (on_s() - since) / 3600, "float64")

    devices = {n: (lambda w=power_w: counted(w)) for n, power_w in enumerate(POWERS_W.values(), start=1)}
    with modbus_server({n: {0: tell()} for n, tell in devices.items()}, int(port), told_by=devices):
        while True:
            time.sleep(60)


if __name__ == "__main__":
    {"collect": collect, "modbus": modbus}[sys.argv[2]](float(sys.argv[1]), sys.argv[3])
