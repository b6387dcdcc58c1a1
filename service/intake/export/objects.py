"""Rows written as JSON objects with a value by each name: one in each line, or all in one list.

Objects that hold lists are no rows. What the values mean is not known here.
"""

from __future__ import annotations

from codecs import getincrementaldecoder
from collections.abc import Iterator
from contextlib import suppress
from itertools import islice
from json import JSONDecoder
from typing import Any

from service.intake.export.blocks import Row

LONGEST = 1 << 15
"""Characters of an object: those of a row are some hundreds."""

LOOKED_AT = 60
_DECODER = JSONDecoder(parse_float=str, parse_int=str, parse_constant=str)
_BETWEEN = " \t\r\n,[]\ufeff"


def names_of(head: bytes) -> list[str]:
    """Return the names over the values of a file that begins so, none if it holds no rows."""
    found = list[dict[str, str]]()
    with suppress(EOFError):
        for one in islice(_objects(iter([head])), LOOKED_AT):
            found.append(_named(one))
    if len(found) < 2 or not all(found):
        return []
    return list(dict.fromkeys(name for row in found for name in row))


def rows_of(stream: Any, names: list[str]) -> Iterator[Row]:
    """Give the names, then a row for each object; EOFError where the file is damaged or cut."""
    yield names
    for one in _objects(iter(lambda: stream.read(LONGEST), b"")):
        row = _named(one)
        yield [row.get(name, "") for name in names]


def _objects(pieces: Iterator[bytes]) -> Iterator[dict[str, Any]]:
    """Give the objects one by one; EOFError where there is none, and one is due."""
    decoder, text = getincrementaldecoder("utf-8-sig")(errors="replace"), ""
    for piece in pieces:
        text, at = text + decoder.decode(piece), 0
        while (at := _next(text, at)) < len(text):
            found, after = _object(text, at)
            if found is None and len(text) - at > LONGEST:
                raise EOFError
            if found is None:
                break
            yield found
            at = after
        text = text[at:]
    if text:
        raise EOFError


def _object(text: str, at: int) -> tuple[dict[str, Any] | None, int]:
    """Return the object that begins there and where it ends, None if it does not end; EOFError if it is no object."""
    if text[at] != "{":
        raise EOFError
    try:
        return _DECODER.raw_decode(text, at)
    except (ValueError, RecursionError):
        return None, at


def _next(text: str, at: int) -> int:
    while at < len(text) and text[at] in _BETWEEN:
        at += 1
    return at


def _named(found: dict[str, Any]) -> dict[str, str]:
    """Return the values by name, those of an object within by its own names; none if one is a list."""
    row = dict[str, str]()
    for name, value in found.items():
        within = value if isinstance(value, dict) else {"value": value}
        for own, single in within.items():
            if isinstance(single, (dict, list)):
                return {}
            called = name if own == "value" else own if own not in found else f"{name} {own}"
            row[called] = "" if single is None else str(single)
    return row
