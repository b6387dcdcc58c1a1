"""The threads of a collector: one that fails is told of and started again, and a damaged outbox ends them all."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from threading import Event, Thread

import pytest
from pydantic import SecretStr

from service.collect import runner
from service.collect.config import CollectorPart, Config, ServicePart, SourcePart
from service.collect.disk import OutboxError
from service.collect.source import Sink
from service.collect.status import status_of

STARTS: list[float] = []


class _Failing(SourcePart):
    def run(self, sink: Sink, stop: Event) -> None:  # noqa: ARG002 - a source's form
        STARTS.append(time.monotonic())
        raise RuntimeError("a fault of the program")


class _Quiet(SourcePart):
    def run(self, sink: Sink, stop: Event) -> None:
        sink.heard(self.name)
        stop.wait()


def _config(folder: Path, source: SourcePart) -> Config:
    service = ServicePart(url="http://127.0.0.1:9", site="k3v9", token=SecretStr("t"))
    return Config(service, CollectorPart(outbox=folder / "o.sqlite"), (source,))


def _until(condition: object) -> None:
    deadline = time.monotonic() + 20
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_a_source_that_fails_is_told_of_and_started_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "AGAIN_S", 0.02)
    STARTS.clear()
    config, stop = _config(tmp_path, _Failing(kind="failing", name="hub")), Event()
    thread = Thread(target=runner.collect, args=(config, stop))
    thread.start()
    _until(lambda: len(STARTS) > 2)
    status = status_of(config)
    stop.set()
    thread.join(20)
    assert not thread.is_alive()
    assert status is not None
    assert status.running
    assert any("the log has the details" in worry for worry in status.worries())
    assert status_of(config).running is False  # type: ignore[union-attr]


def test_an_outbox_that_is_found_damaged_ends_the_collector(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(*_: object) -> float:
        raise sqlite3.DatabaseError("database disk image is malformed")

    monkeypatch.setattr("service.collect.outbox._set_fact", damaged)
    config = _config(tmp_path, _Quiet(kind="quiet", name="hub"))
    with pytest.raises(OutboxError, match="found damaged"):
        _collect_noting(config)


def _collect_noting(config: Config) -> None:
    """Collect, with the note at the start left out: it is the sender that meets the damage."""
    noted = runner.Outbox.note
    runner.Outbox.note = lambda self, name, value: None if name == "started_at" else noted(self, name, value)  # type: ignore[method-assign]
    try:
        runner.collect(config, Event())
    finally:
        runner.Outbox.note = noted  # type: ignore[method-assign]
