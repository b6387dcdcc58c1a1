"""A folder into which files fall. They are forwarded whole: the service reads them, and asks what they leave open."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Literal

from pydantic import Field, field_validator

from service.collect.config import SourcePart, YesNo, wrong
from service.collect.polling import poll
from service.collect.source import Sink
from service.collect.trouble import Trouble

State = tuple[int, int]
"""Size and time of change: a file that keeps both is whole."""


class Folder(SourcePart):
    """Forwards each content once and leaves the files where they are."""

    kind: Literal["folder"]
    path: Path
    pattern: str = Field(default="*", min_length=1)
    subfolders: YesNo = False
    mapping: str | None = Field(default=None, min_length=1, max_length=60)
    """The name under which the service remembers how these files are to be read."""
    every_s: float = Field(default=60, ge=1, le=86_400)
    settle_s: float = Field(default=10, ge=0, le=3600)
    """A file is taken once it has kept its size for so long."""

    @field_validator("pattern")
    @classmethod
    def _within(cls, pattern: str) -> str:
        if "/" in pattern or "\\" in pattern or ".." in pattern:
            raise wrong(
                "must be a pattern of names, such as *.csv; for what lies deeper set subfolders = true"
            )
        return pattern

    def remembered_as(self) -> str | None:
        """Return the mapping's name."""
        return self.mapping

    def run(self, sink: Sink, stop: Event) -> None:
        """Look into the folder until told to stop."""
        look = _Look(self, sink)
        look.settle(stop)
        poll(self.name, sink, stop, self.every_s, look)

    def probe(self) -> str:
        """Say how many files there are."""
        count = len(list(self.files()))
        return f"{count} {'file' if count == 1 else 'files'} of the pattern {self.pattern}"

    def files(self) -> Iterator[Path]:
        """Give the files; Trouble if the folder cannot be read."""
        if not self.path.is_dir() or not os.access(self.path, os.R_OK | os.X_OK):
            raise Trouble(
                f"The folder {self.path} is not there or cannot be read; correct the path or mount it."
            )
        found = self.path.rglob(self.pattern) if self.subfolders else self.path.glob(self.pattern)
        yield from sorted(file for file in found if file.is_file() and not file.name.startswith("."))


class _Look:
    """Remembers between two looks how files were, and which are done."""

    def __init__(self, folder: Folder, sink: Sink) -> None:
        self._folder, self._sink = folder, sink
        self._before: dict[Path, State] = {}
        self._done: dict[Path, State] = {}

    def settle(self, stop: Event) -> None:
        """Look a first time without taking anything, and wait."""
        try:
            self._before = self._states()
        except Trouble:
            return
        # A collector that reads only once waits too, though it is told to stop already.
        (Event() if stop.is_set() else stop).wait(self._folder.settle_s)

    def __call__(self) -> None:
        states = self._states()
        troubles = []
        for file, state in states.items():
            if self._before.get(file) != state or self._done.get(file) == state or not state[0]:
                continue
            try:
                self._sink.file(self._folder.name, file)
                self._done[file] = state
            except Trouble as trouble:
                troubles.append(str(trouble))
        self._before = states
        if troubles:
            raise Trouble(" ".join(troubles[:3]))

    def _states(self) -> dict[Path, State]:
        found = {}
        for file in self._folder.files():
            try:
                stat = file.stat()
            except OSError:
                continue
            found[file] = (stat.st_size, stat.st_mtime_ns)
        return found
