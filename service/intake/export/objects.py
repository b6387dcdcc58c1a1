"""Rows written as JSON objects with a value by each name: in lines, in a list, or in lists within objects.

What an object says beside its list holds for all rows of it; what the outermost says stands above the table. What the
values mean is not known here.
"""

from __future__ import annotations

from codecs import getincrementaldecoder
from collections.abc import Iterator, Mapping
from contextlib import suppress
from itertools import islice
from json import JSONDecoder
from typing import Any

from service.intake.export.blocks import Row

LONGEST = 1 << 15
"""Characters of an object: those of a row are some hundreds. A longer one is gone into."""

DEEPEST = 4
LOOKED_AT = 60
LONGEST_SAID = 100
_DECODER = JSONDecoder(parse_float=str, parse_int=str, parse_constant=str)
_BETWEEN = " \t\r\n,\ufeff"

Named = dict[str, str]


def names_of(head: bytes) -> list[str]:
    """Return the names over the values of a file that begins so, none if it holds no rows."""
    found = list[Named]()
    with suppress(EOFError):
        found.extend(islice(_Walk(iter([head])).rows(), LOOKED_AT))
    if len(found) < 2 or not all(found):
        return []
    return list(dict.fromkeys(name for row in found for name in row))


def rows_of(stream: Any, names: list[str]) -> Iterator[Row]:
    """Give what stands above them, the names, then a row for each object; EOFError where the file is damaged or cut."""
    walk = _Walk(iter(lambda: stream.read(LONGEST), b""))
    for at, row in enumerate(walk.rows()):
        if at == 0:
            yield from ([f"{name}: {value}"] for name, value in walk.above.items())
            yield names
        yield [row.get(name, "") for name in names]


class _Walk:
    """Goes through a text of objects; what is complete and short is taken whole."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._decoder = pieces, getincrementaldecoder("utf-8-sig")(errors="replace")
        self._text, self._at, self._ended = "", 0, False
        self.above: Named = {}

    def rows(self) -> Iterator[Named]:
        """Give the rows one by one; EOFError where there is none, and one is due."""
        while (sign := self._next()) is not None:
            if sign == "{":
                yield from self._object({}, 0)
            elif sign == "[":
                self._at += 1
                yield from self._list({}, 1)
            else:
                raise EOFError

    def _list(self, said: Mapping[str, str], depth: int) -> Iterator[Named]:
        while (sign := self._next()) == "{":
            yield from self._object(said, depth)
        if sign != "]":
            raise EOFError
        self._at += 1

    def _object(self, said: Mapping[str, str], depth: int) -> Iterator[Named]:
        found = self._whole()
        if found is not None:
            yield from _rows_in(found, said, self.above if depth == 0 else None)
        elif depth >= DEEPEST:
            raise EOFError
        else:
            yield from self._members(said, depth)

    def _members(self, said: Mapping[str, str], depth: int) -> Iterator[Named]:
        """Go into an object that is too long to be a row: one of its members is a list of rows, or holds one."""
        own, self._at = dict(said), self._at + 1
        while (sign := self._next()) == '"':
            name = self._value()
            if self._next() != ":":
                raise EOFError
            self._at += 1
            sign = self._next()
            if sign == "[" and self._next(1) == "{":
                self._at += 1
                yield from self._list(own, depth + 1)
            elif sign == "{":
                yield from self._object(own, depth + 1)
            else:
                own |= _named({name: self._value()})
                if depth == 0:
                    self.above |= {k: v for k, v in own.items() if v and len(v) <= LONGEST_SAID}
                    own = dict(said)
        if sign != "}":
            raise EOFError
        self._at += 1

    def _whole(self) -> dict[str, Any] | None:
        """Return the object that begins here, None if it is too long."""
        while True:
            with suppress(ValueError, RecursionError):
                found, self._at = _DECODER.raw_decode(self._text, self._at)
                return found  # type: ignore[no-any-return]
            if len(self._text) - self._at > LONGEST or not self._fill():
                return None

    def _value(self) -> Any:
        """Return the value that begins here: not one that goes on and on."""
        while True:
            with suppress(ValueError, RecursionError):
                found, after = _DECODER.raw_decode(self._text, self._at)
                if after < len(self._text) or self._ended:
                    self._at = after
                    return found
            if len(self._text) - self._at > LONGEST or not self._fill():
                raise EOFError

    def _next(self, beyond: int = 0) -> str | None:
        """Return the next sign, None at the end; it is not passed."""
        while True:
            at = self._at + beyond
            while at < len(self._text) and self._text[at] in _BETWEEN:
                at += 1
            if at < len(self._text):
                self._at = at if not beyond else self._at
                return self._text[at]
            if not self._fill():
                return None

    def _fill(self) -> bool:
        """Take more of the text, and return whether there was any."""
        piece = next(self._pieces, None)
        self._ended = piece is None
        if piece is not None:
            self._text, self._at = self._text[self._at :] + self._decoder.decode(piece), 0
        return piece is not None


def _rows_in(found: dict[str, Any], said: Mapping[str, str], above: Named | None) -> Iterator[Named]:
    """Give the rows of an object: itself, or those of its only list of objects, with what it says beside."""
    lists = {name for name, value in found.items() if _is_list_of_objects(value)}
    if len(lists) != 1:
        own = {} if lists else _named(found)
        yield {**said, **own} if own else {}
        return
    (name,) = lists
    beside = [_named({other: value}) for other, value in found.items() if other != name]
    own = {called: value for each in beside for called, value in each.items()}
    if above is not None:
        above |= {k: v for k, v in own.items() if v and len(v) <= LONGEST_SAID}
        own = {}
    for one in found[name]:
        yield from _rows_in(one, {**said, **own}, None)


def _is_list_of_objects(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _named(found: dict[str, Any]) -> Named:
    """Return the values by name, those of an object within by its own names; none if one is a list."""
    row = Named()
    for name, value in found.items():
        within = value if isinstance(value, dict) else {"value": value}
        for own, single in within.items():
            if isinstance(single, (dict, list)):
                return {}
            called = name if own == "value" else own if own not in found else f"{name} {own}"
            row[called] = "" if single is None else str(single)
    return row
