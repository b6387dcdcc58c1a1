"""Opens a file as tables of text cells, row by row and in bounded memory: delimited text, workbooks, archives of these.

What the cells mean is not known here.
"""

from __future__ import annotations

import csv
import gzip
import re
import zipfile
import zlib
from codecs import getincrementaldecoder
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import ParseError

from service.intake.export.aligned import Aligned, cuts_of
from service.intake.export.blocks import Block, Row, in_blocks
from service.intake.export.cutting import blocks_of
from service.intake.export.kinds import other_kind, other_package
from service.intake.export.letters import encoding_of
from service.intake.export.objects import names_of, rows_of
from service.intake.export.packed import Open, check_workbook, checked_members, gunzipped, member_opener
from service.intake.export.workbook import Sheet, sheets_of
from service.intake.problems import Refused, Told, told

FEW_PARTED, MOST_PARTED = 0.1, 0.9
"""Blanks part cells where hardly a line has another delimiter, and nearly all have equally many blanks."""

SAMPLE_BYTES = 1 << 18
DELIMITERS = ("\t", ";", "|", ",")
COLUMNS = "columns"
"""In the place of a delimiter: the columns stand one below the other, with blanks between."""

SAID_DELIMITERS = {"tab": "\t", "semicolon": ";", "stroke": "|", "comma": ",", COLUMNS: COLUMNS}
"""By the words of the answer; the sign itself is one, too."""

ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1255", "cp1257",
    "iso8859-1", "iso8859-2", "iso8859-5", "iso8859-15", "mac-roman", "mac-cyrillic", "koi8-r", "cp437", "cp850",
    "cp852", "cp866", "cp932", "gb18030", "cp949",
    "big5", "euc_jp",
)  # fmt: skip

_QUOTED = re.compile(r'\s*"[^"]*"\s*')
DAMAGE = (zipfile.BadZipFile, gzip.BadGzipFile, zlib.error, EOFError, KeyError, ParseError)

Seen = Callable[[int], None]
Said = Mapping[str, str]
NOTHING: Said = {}


@dataclass(frozen=True)
class Table:
    """A named table: its rows can be read again and again; `size` is what `rows` tells of its progress at the end."""

    name: str
    size: int
    encoding: str | None
    delimiter: str | None
    open: Callable[[Seen], Iterator[Block]]
    title: str = ""
    """The name of its sheet."""
    is_reshaped: bool = False
    """Its rows are not those of the file."""
    is_hidden: bool = False
    """Its owner hid the sheet."""
    refused: Told | None = None
    """What it is, if it is no table but a file of another kind beside some."""

    def blocks(self, seen: Seen = lambda _: None) -> Iterator[Block]:
        """Give the rows from the first on, telling now and then how much of `size` was seen."""
        try:
            yield from self.open(seen)
        except DAMAGE:
            raise Refused.one(self.name, told("is damaged; export or copy it anew")) from None

    def rows(self, seen: Seen = lambda _: None) -> Iterator[Row]:
        """Give the rows one by one."""
        return (row for block in self.blocks(seen) for row in block.rows())


def tables_of(path: Path, name: str | None = None, said: Said = NOTHING) -> list[Table]:
    """Return the tables of a file, with `encoding` and `delimiter` as somebody said; Refused if it cannot be opened."""
    name = name or path.name
    try:
        return _tables(name, lambda: path.open("rb"), path.stat().st_size, said)
    except (zipfile.LargeZipFile, RuntimeError, NotImplementedError, *DAMAGE):
        raise Refused.one(
            name, told("is a damaged or encrypted archive; pack it anew without a password")
        ) from None


def _tables(name: str, opened: Open, size: int, said: Said, *, inside: bool = False) -> list[Table]:
    with opened() as stream:
        head = stream.read(SAMPLE_BYTES)
        if head[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
            stream.seek(0)
            with zipfile.ZipFile(stream) as archive:
                members = checked_members(name, archive)
            parts = {m.filename for m in members}
            if kind := other_package(parts):
                raise Refused.one(name, kind)
            if "[Content_Types].xml" in parts:
                check_workbook(name, opened, members)
                return _sheets(name, opened)
            if inside:
                raise Refused.one(name, told("is an archive in an archive; unpack the outer one first"))
            return _members(name, opened, members, said)
    if head[:2] == b"\x1f\x8b":
        if inside:
            raise Refused.one(name, told("is an archive in an archive; unpack the outer one first"))
        return _tables(name, gunzipped(name, opened), size, said, inside=True)
    if names := names_of(head):
        return [_objects(name, opened, size, names)]
    if kind := other_kind(head):
        if not inside:
            raise Refused.one(name, kind)
        return [Table(name, 0, None, None, lambda _: iter(()), refused=kind)]
    return [_text(name, opened, size, head, said)]


def _objects(name: str, opened: Open, size: int, names: list[str]) -> Table:
    def blocks(seen: Seen) -> Iterator[Block]:
        with opened() as stream:
            for block in in_blocks(rows_of(stream, names)):
                yield block
                seen(min(size, stream.tell()))
            seen(size)

    return Table(name, size, None, None, blocks, is_reshaped=True)


def _members(name: str, opened: Open, members: list[zipfile.ZipInfo], said: Said) -> list[Table]:
    found: list[Table] = []
    for member in sorted(members, key=lambda m: m.filename):
        shown = f"{name}/{member.filename}"
        if member.filename.startswith("__MACOSX/") or Path(member.filename).name.startswith("."):
            continue
        found += _tables(shown, member_opener(opened, member), member.file_size, said, inside=True)
    if not found:
        raise Refused.one(name, told("holds no file; add the exports"))
    return found


# Delimited text


def _text(name: str, opened: Open, size: int, head: bytes, said: Said) -> Table:
    encoding = said.get("encoding") or encoding_of(head)
    if encoding == "utf-8":
        encoding = "utf-8-sig"
    text = getincrementaldecoder(encoding)(errors="replace").decode(head)
    wanted = said.get("delimiter", "")
    delimiter = SAID_DELIMITERS.get(wanted, wanted) or delimiter_of(text)
    lines = _first_lines(text)
    cuts = cuts_of(lines) if delimiter == COLUMNS or not wanted else ()
    if cuts:
        delimiter = COLUMNS

    def blocks(seen: Seen) -> Iterator[Block]:
        with opened() as stream:
            cells = (
                blocks_of(Aligned(stream, encoding, cuts), "utf-8", "\t")
                if delimiter == COLUMNS
                else blocks_of(stream, encoding, delimiter)
            )
            for block in cells:
                yield block
                seen(min(size, stream.tell()))
            seen(size)

    return Table(name, size, encoding, delimiter, blocks)


def delimiter_of(text: str) -> str:
    """Return the first of the delimiters that parts the lines into equally many cells."""
    if text[:4].lower() == "sep=" and text[4:5] not in ("", '"', "\r", "\n"):
        return text[4]
    body = _first_lines(text)
    if all(map(_QUOTED.fullmatch, filter(str.strip, body))):
        body = [line.strip()[1:-1] for line in body]
    shares = {d: _evenness(body, d) for d in DELIMITERS}
    even = [d for d in DELIMITERS if shares[d] >= 0.7]
    if max(shares.values()) < FEW_PARTED and _evenness(body, " ", least=3) >= MOST_PARTED:
        return " "
    return even[0] if even else max(DELIMITERS, key=lambda d: shares[d])


def _first_lines(text: str) -> list[str]:
    lines = [line for line in text.splitlines()[:400] if len(line) <= csv.field_size_limit()]
    return lines[:-1] or lines


def _evenness(lines: list[str], delimiter: str, least: int = 2) -> float:
    try:
        widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if row)
    except csv.Error:
        return 0.0
    wide = [(count, width) for width, count in widths.items() if width >= least]
    return max(wide)[0] / sum(widths.values()) if wide else 0.0


# Workbooks


def _sheets(name: str, opened: Open) -> list[Table]:
    sheets = sheets_of(opened)
    return [_sheet(name, sheet, alone=len(sheets) == 1) for sheet in sheets]


def _sheet(name: str, sheet: Sheet, *, alone: bool) -> Table:
    def blocks(seen: Seen) -> Iterator[Block]:
        count = 0
        for block in sheet.blocks():
            yield block
            seen(min(count := count + block.size, sheet.size))
        seen(sheet.size)

    shown = name if alone else f"{name}/{sheet.title}"
    return Table(shown, sheet.size, None, None, blocks, sheet.title, is_hidden=sheet.is_hidden)
