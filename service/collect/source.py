"""What a source of the collector is. Each kind has a file of its own and a line in `kinds.KINDS`.

A kind is a `config.SourcePart` with its settings, whose `run` reads: most through `polling.poll`, which calls something
again and again and notes the `Trouble` that it raises. What is read without a time of its own is dated with
`clock.now()`, never with the machine's own clock: that may be decades off, and the outbox puts it right.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from threading import Event
from typing import Protocol

from service.intake.live.model import Sample


class Sink(Protocol):
    """Where a source puts what it read. What a call returned from is on disk; it may be called from any thread."""

    def samples(self, source: str, found: Sequence[Sample]) -> None:
        """Keep samples; the same serial, kind and moment again replaces the earlier value.

        Trouble if there is no room.
        """

    def file(self, source: str, path: Path) -> None:
        """Keep a whole file as it is, for the service to read; the same bytes again change nothing.

        Trouble if it cannot be read, or if there is no room.
        """

    def heard(self, source: str) -> None:
        """Note that the source answered just now, whether or not it had anything new."""

    def trouble(self, source: str, message: str) -> None:
        """Note in one sentence what hinders the source and what to do; `heard` takes it back."""


class Source(Protocol):
    """Something to read from. `run` goes on through every failure until it is told to stop."""

    name: str

    def run(self, sink: Sink, stop: Event) -> None:
        """Read until `stop` is set, and return within a few seconds then."""
