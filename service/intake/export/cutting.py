"""Cuts delimited text into blocks of whole rows, in bounded memory and time whatever the text is.

A line that is too long, or a quotation mark that nobody closes, costs one row: the text goes on behind it.
"""

from __future__ import annotations

import csv
import io
from codecs import getincrementaldecoder
from collections.abc import Iterator
from typing import Protocol

from service.intake.export.blocks import Block, Row, Rows, regular
from service.intake.problems import told

BLOCK_BYTES = 1 << 21
LONGEST_LINE = BLOCK_BYTES // 4
"""In characters, of which each has at most four bytes: what does not end within a block is longer."""
MOST_LINES, MOST_OF_ROW = 20, 2000
"""Of one cell, which may hold line breaks, as a heading's do; and of a row of many such cells."""
SHOWN = 200


class Stream(Protocol):
    """What bytes are read from."""

    def read(self, size: int, /) -> bytes:
        """Return the next bytes, none at the end."""


def blocks_of(stream: Stream, encoding: str, delimiter: str) -> Iterator[Block]:
    """Give the text's rows, block by block."""
    text = _Text(stream, encoding)
    while raw := text.take():
        yield regular(raw, delimiter) or _Walk(raw, text, delimiter).rows()


class _Text:
    """The text as UTF-8, in parts that end with a line; what cannot be decoded stands in it as U+FFFD."""

    def __init__(self, stream: Stream, encoding: str) -> None:
        self._stream = stream
        self._decode = getincrementaldecoder(encoding)(errors="replace").decode
        self._held = b""
        self._ended = False

    def take(self) -> bytes:
        """Return the next lines, none at the end; a line that goes on and on is shortened."""
        self._fill()
        if not self._ended and not _cut(self._held):
            self._shorten()
        cut = len(self._held) if self._ended else _cut(self._held)
        taken, self._held = self._held[:cut], self._held[cut:]
        return taken

    def give_back(self, raw: bytes) -> None:
        """Have this taken again."""
        self._held = raw + self._held

    def _fill(self) -> None:
        while len(self._held) < BLOCK_BYTES and not self._ended:
            read = self._stream.read(BLOCK_BYTES)
            self._ended = not read
            self._held += self._decode(read, final=not read).encode()

    def _shorten(self) -> None:
        """Leave out the middle of a line; what stays is still too long for a row."""
        beginning = self._held
        while not self._ended and not _cut(self._held):
            self._held = self._held[-1:]
            self._fill()
        self._held = beginning + self._held


def _cut(raw: bytes) -> int:
    """Return where the last whole line ends, 0 if none does."""
    return raw.rfind(b"\n") + 1 or raw.rfind(b"\r", 0, -1) + 1


class _NoRow(Exception):  # noqa: N818 - an answer, not a fault
    """No row begins at this line; the message says why."""


class _Walk:
    """Goes through lines row by row; a row that is not done at their end takes more of the text."""

    def __init__(self, raw: bytes, text: _Text, delimiter: str) -> None:
        self._lines = _lines(raw)
        self._own = len(self._lines)
        self._text, self._delimiter = text, delimiter
        self._begin = self._next = self._unmarked = 0
        self._most = MOST_OF_ROW

    def rows(self) -> Rows:
        """Return the rows that begin in these lines."""
        found: list[Row] = []
        faults: dict[int, str] = {}
        while self._next < self._own:
            try:
                self._read(found)
            except (_NoRow, csv.Error) as why:
                faults[len(found)] = (
                    why.args[0] if isinstance(why, _NoRow) else told("one of its cells is too long")
                )
                found.append([self._lines[self._begin][:SHOWN].strip()])
                self._next = self._begin + 1
        self._text.give_back("".join(self._lines[self._next :]).encode())
        return Rows(found, faults)

    def _read(self, found: list[Row]) -> None:
        self._begin = self._next
        for row in csv.reader(self._given(), delimiter=self._delimiter):
            found.append(row)
            self._begin = self._next
            if self._next >= self._own:
                return

    def _given(self) -> Iterator[str]:
        while True:
            if self._next == len(self._lines):
                self._lines += _lines(self._text.take())
            ended, within = self._next == len(self._lines), self._next - self._begin
            if self._is_open_too_long(within) or (ended and within):
                raise _NoRow(told("it opens a quotation mark that is not closed"))
            if ended:
                return
            line = self._lines[self._next]
            if len(line) > LONGEST_LINE:
                raise _NoRow(told("it is too long for a row of readings"))
            self._next += 1
            self._unmarked = 0 if '"' in line else self._unmarked + 1
            yield line

    def _is_open_too_long(self, within: int) -> bool:
        """Return whether a row has gone on for so many lines that a mark was forgotten; many are looked at once."""
        if within < MOST_LINES or (self._unmarked < MOST_LINES and within < self._most):
            return False
        self._most = MOST_LINES
        return True


def _lines(raw: bytes) -> list[str]:
    return list(io.StringIO(raw.decode(errors="replace"), newline=""))
