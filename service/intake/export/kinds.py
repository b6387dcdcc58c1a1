"""Tells by its first bytes a file that is of no kind that is read, and what to do about it."""

from __future__ import annotations

import re
from collections.abc import Collection

from service.intake.problems import Told, mark, told

_OLD = mark("is a workbook of the old kind or has a password; save it as .xlsx or CSV")
_BINARY = mark("is a workbook kept in binary; save it as .xlsx or CSV")
_OPEN = mark("is an OpenDocument file, which is not read; save its table as .xlsx or CSV")
_DOCUMENT = mark("is a document or a picture for people; export the readings themselves, as .xlsx or CSV")
_DATABASE = mark("is a database; export its table of readings as CSV")
_ARCHIVE = mark("is an archive of a kind that is not read; pack it as .zip or .gz")
_COLUMNS = mark("is Parquet, which is only read in the form of the API; export .xlsx or CSV")
_WEB_PAGE = mark("is a web page, whatever its name says; open it as a table and save it as .xlsx or CSV")
_XML = mark("is XML, which is not read; open it as a table and save it as .xlsx or CSV, or export it so")
_JSON = mark("is JSON without rows of values by name, and not in the form of the API; export .xlsx or CSV")

_BEGINNINGS = {
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1": _OLD,
    b"\x09\x00\x04\x00": _OLD,
    b"\x09\x02\x06\x00": _OLD,
    b"\x09\x04\x06\x00": _OLD,
    b"\x09\x08\x08\x00": _OLD,
    b"\x09\x08\x10\x00": _OLD,
    b"%PDF-": _DOCUMENT,
    b"{\\rtf": _DOCUMENT,
    b"\x89PNG\r\n": _DOCUMENT,
    b"\xff\xd8\xff": _DOCUMENT,
    b"SQLite format 3\x00": _DATABASE,
    b"PAR1": _COLUMNS,
    b"7z\xbc\xaf\x27\x1c": _ARCHIVE,
    b"Rar!\x1a\x07": _ARCHIVE,
    b"BZh": _ARCHIVE,
    b"\xfd7zXZ\x00": _ARCHIVE,
    b"\x28\xb5\x2f\xfd": _ARCHIVE,
}
"""Of workbooks before .xlsx the container and the record with which one begins that has none; then of others."""

_BEFORE = rb"(?:\xef\xbb\xbf)?\s{0,99}"
_AS_PAGE = re.compile(_BEFORE + rb"<(!doctype html|html|table|head|body|meta)\b", re.I)
_AS_XML = re.compile(_BEFORE + rb"<\?xml\b", re.I)
_AS_JSON = re.compile(_BEFORE + rb"(?:\{\s{0,99}\"|\[\s{0,99}(?:\{|\[\s{0,99}[\"0-9]))")
_PAGE_WITHIN = re.compile(rb"<(!doctype html|html)\b", re.I)
LOOKED_AT = 4096


def other_kind(head: bytes) -> Told | None:
    """Return what a file is that begins so and cannot be read, and the remedy; None if it may be text or is read."""
    known = next((kind for beginning, kind in _BEGINNINGS.items() if head.startswith(beginning)), None)
    if known is not None:
        return told(known)
    if _AS_JSON.match(head):
        return told(_JSON)
    is_xml = bool(_AS_XML.match(head))
    if _AS_PAGE.match(head) or (is_xml and _PAGE_WITHIN.search(head[:LOOKED_AT])):
        return told(_WEB_PAGE)
    return told(_XML) if is_xml else None


def other_package(names: Collection[str]) -> Told | None:
    """Return what an archive with files of these names is, if it is a document and no archive of exports."""
    if "content.xml" in names and "META-INF/manifest.xml" in names:
        return told(_OPEN)
    if "xl/workbook.bin" in names:
        return told(_BINARY)
    return told(_DOCUMENT) if "word/document.xml" in names else None
