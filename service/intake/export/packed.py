"""Unpacks archives, in bounded memory and time: what they say of their size is looked at before, and held to.

What the files in them are is not known here.
"""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from tempfile import SpooledTemporaryFile
from typing import IO, Any

from service.intake.problems import Refused, told

MOST_MEMBERS = 2000
LARGEST_TOTAL = 8 << 30
LARGEST_RATIO = 400
"""Text of readings packs to a fifth or a tenth, mere zeros to a hundredth; more than this was made to do harm."""

LARGEST_STRINGS = 1 << 26
LARGEST_PART = 1 << 24
LONGEST_ROW = 1 << 24
"""Bytes of a workbook's shared strings, of its parts but for sheets, and of one row: all these are held in memory."""

ONCE = 1 << 20

Open = Callable[[], Any]


def checked_members(name: str, archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """Return the files in an archive; Refused if they are more or larger than exports are."""
    members = [m for m in archive.infolist() if not m.is_dir()]
    if any(m.header_offset < 0 for m in members):
        raise zipfile.BadZipFile
    total = sum(m.file_size for m in members)
    swollen = [
        m
        for m in members
        if m.file_size > (1 << 24) and m.file_size > LARGEST_RATIO * max(1, m.compress_size)
    ]
    if len(members) > MOST_MEMBERS or total > LARGEST_TOTAL or swollen:
        raise _too_large(name)
    if any(m.flag_bits & 1 for m in members):
        raise Refused.one(name, told("has a password; pack it anew without"))
    return members


def member_opener(opened: Open, member: zipfile.ZipInfo) -> Open:
    """Return how a file in an archive is opened."""

    @contextmanager
    def unpacked() -> Iterator[IO[bytes]]:
        with opened() as outer, zipfile.ZipFile(outer) as archive, archive.open(member) as stream:
            if not member.filename.lower().endswith((".xlsx", ".xlsm", ".zip")):
                yield stream
                return
            with SpooledTemporaryFile(max_size=1 << 24) as seekable:
                while block := stream.read(ONCE):
                    seekable.write(block)
                seekable.seek(0)
                yield seekable

    return unpacked


def check_workbook(name: str, opened: Open, members: Sequence[zipfile.ZipInfo]) -> None:
    """Refuse a workbook of which more would be held in memory than of any with readings."""
    for member in members:
        is_sheet = member.filename.startswith("xl/worksheets/sheet")
        is_strings = member.filename == "xl/sharedStrings.xml"
        most = LARGEST_TOTAL if is_sheet else LARGEST_STRINGS if is_strings else LARGEST_PART
        if member.file_size > most and member.filename.startswith("xl/") and member.filename.endswith(".xml"):
            raise _too_large_workbook(name)
        if is_sheet and member.file_size > LONGEST_ROW:
            _check_rows(name, opened, member)


def _check_rows(name: str, opened: Open, member: zipfile.ZipInfo) -> None:
    ended, end = 0, b"</row>"
    with opened() as outer, zipfile.ZipFile(outer) as archive, archive.open(member) as stream:
        tail = b""
        while block := stream.read(ONCE):
            ended = 0 if end in tail + block else ended + len(block)
            if ended > LONGEST_ROW:
                raise _too_large_workbook(name)
            tail = block[-len(end) :]


def _too_large(name: str) -> Refused:
    return Refused.one(
        name, told("unpacks to far more than exports hold; send its files in smaller archives")
    )


def _too_large_workbook(name: str) -> Refused:
    return Refused.one(name, told("holds more text than a workbook of readings; save its sheet as CSV"))


class Gunzipped:
    """A packed file's bytes; its place is counted in those of the packed file, of which alone the size is known."""

    def __init__(self, name: str, packed: IO[bytes]) -> None:
        self._name, self._packed, self._given = name, packed, 0
        self._stream = gzip.GzipFile(fileobj=packed)

    def read(self, size: int) -> bytes:
        """Return the next bytes; Refused where they swell."""
        read = self._stream.read(size)
        self._given += len(read)
        most = min(LARGEST_TOTAL, (1 << 24) + LARGEST_RATIO * self.tell())
        if self._given > most:
            raise _too_large(self._name)
        return read

    def tell(self) -> int:
        """Return how much of the packed file was read."""
        return self._packed.tell()


def gunzipped(name: str, opened: Open) -> Open:
    """Return how a file packed with gzip is opened."""

    @contextmanager
    def unpacked() -> Iterator[Gunzipped]:
        with opened() as packed:
            yield Gunzipped(name, packed)

    return unpacked
