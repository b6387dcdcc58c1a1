"""Takes what a source gives, in memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from threading import Event

from service.intake.live.model import Sample


class Kept:
    """What a source gave and what it said of itself; `enough` is set once it gave `rounds` times."""

    def __init__(self, rounds: int = 1) -> None:
        self.rounds, self.enough = rounds, Event()
        self.given: list[list[Sample]] = []
        self.troubles: list[str] = []
        self.heard_times = 0

    def samples(self, _: str, found: Sequence[Sample]) -> None:
        """Keep them."""
        self.given.append(list(found))
        if len(self.given) >= self.rounds:
            self.enough.set()

    def file(self, source: str, path: Path) -> None:
        """No source under test forwards files."""
        raise AssertionError(f"{source} forwards {path}")

    def heard(self, _: str) -> None:
        """Count."""
        self.heard_times += 1

    def trouble(self, _: str, message: str) -> None:
        """Keep it."""
        self.troubles.append(message)
