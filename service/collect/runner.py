"""Runs the collector: a thread for each source, one that sends, until told to stop."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread

from service.collect import disk, outbox
from service.collect.clock import CLOCK, compared_before, session
from service.collect.config import Config, SourcePart
from service.collect.laying import Laying
from service.collect.layout import Layout
from service.collect.outbox import Outbox
from service.collect.polling import note
from service.collect.sender import Sender
from service.collect.service import Service
from service.collect.trouble import Trouble

ENDS_WITHIN_S = 8.0
AGAIN_S = 60.0

log = logging.getLogger(__name__)


def collect(config: Config, stop: Event) -> None:
    """Read and send until `stop` is set; OutboxError if the outbox cannot be used."""
    with _outbox(config) as held, _service(config) as service:
        sender = sender_of(config, held, service)
        threads = [_started(source, held, stop) for source in config.sources]
        threads.append(Thread(target=sender.run, args=(stop,), name="sender", daemon=True))
        threads[-1].start()
        # Not stop.wait(): a signal's handler that sets it would wait for a lock that this thread holds.
        while not stop.is_set() and not held.is_damaged:
            time.sleep(0.5)
        stop.set()
        _joined(threads)
        if held.is_damaged:
            raise disk.OutboxError(
                "The outbox was found damaged; start the collector again: it sets it aside and says so."
            )


def collect_once(config: Config) -> bool:
    """Read every source once, send, and return whether the service has taken all there was to send."""
    stop = Event()
    stop.set()
    with _outbox(config) as held, _service(config) as service:
        sender = sender_of(config, held, service)
        sender.step()
        for thread in [_started(source, held, stop) for source in config.sources]:
            thread.join()
        sender.step()
        return held.fact("service_trouble") is None


def sender_of(config: Config, held: Outbox, service: Service) -> Sender:
    """Return the sender of a configuration."""
    return Sender(
        held,
        service,
        laying_of(config),
        CLOCK,
        session=session(),
        mappings={source.name: source.remembered_as() for source in config.sources},
        every_s=config.collector.send_every_s,
        newest_first=config.collector.newest_first,
    )


def laying_of(config: Config) -> Laying:
    """Return how the samples of the sources are laid out."""
    usual = config.collector.interval_min
    return Laying({source.name: source.layout(usual) for source in config.sources}, Layout(usual))


@contextmanager
def _outbox(config: Config) -> Iterator[Outbox]:
    path = config.collector.outbox
    with disk.alone(path):
        held = outbox.opened(path, config.collector.largest_mb, session())
        kept = held.fact("clock") or {}
        CLOCK.doubt(compared_before(kept) if kept.get("session") == session() else None)
        held.try_again()
        held.note("started_at", int(time.time()))
        try:
            yield held
        finally:
            held.close()
            CLOCK.trust()


@contextmanager
def _service(config: Config) -> Iterator[Service]:
    service = Service(config.service)
    try:
        yield service
    finally:
        service.close()


def _started(source: SourcePart, held: Outbox, stop: Event) -> Thread:
    thread = Thread(target=_run, args=(source, held, stop), name=source.name, daemon=True)
    thread.start()
    return thread


def _run(source: SourcePart, held: Outbox, stop: Event) -> None:
    """Run a source; one that ends before its time is started again."""
    while True:
        try:
            source.run(held, stop)
        except Exception:
            log.exception("%s", source.name)
            note(
                source.name,
                held,
                Trouble("It stopped for a reason that is not foreseen; the log has the details."),
            )
        if stop.wait(AGAIN_S):
            return


def _joined(threads: list[Thread]) -> None:
    deadline = time.monotonic() + ENDS_WITHIN_S
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))
