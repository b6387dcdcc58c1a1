"""What is said of a table around it: in lines above and below, in its sheet's and its file's name, in texts beside it.

What is said of time zones and labels is not known here: these texts are read like lines above the table.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.intake.export import words
from service.intake.export.layout import kind_of
from service.intake.problems import Told, mark, told

FIRST_ROWS = 100
LONGEST_PAIR = 200
"""The pattern takes long for long lines of blanks."""

_PAIR = re.compile(
    r"\s*(.{1,60}?)\s*(?:=>?|:|->|\u2192|\t|\s[-\u2013]\s|\((?=[^()]*\)\s*$))\s*(\S.{0,60}?)\)?\s*"
)
_IN_A_NAME = re.compile(r"(?<![A-Za-z0-9])(k?Wh|kW|kwh|wh|kw)(?![A-Za-z0-9])")
_POWER_IN_A_NAME = re.compile(r"(?<![A-Za-z0-9])[Ww](?![A-Za-z0-9])")
_AMOUNT = re.compile(r"\d\s*k?wh?\b", re.I)

_BELOW = mark("a line below the table says {unit}")
_BESIDE = mark("a text beside the table says {unit}")
_NAMED = mark("the name of the sheet or the file says {unit}")

Rows = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Said:
    """The unit of measure that is said of a table; where it is said around it, with the words, and where they stand."""

    unit: str | None = None
    text: str = ""
    why: Told | None = None


def measure_around(tail: Rows, names: Sequence[str], notes: str) -> Said | None:
    """Return the unit of measure that lines below a table, names of sheet and file or notes say, the nearest first."""
    return _of_text(text_below(tail), _BELOW) or _of_names(names) or _of_text(notes, _BESIDE)


def text_below(tail: Rows) -> str:
    """Return the last rows of a table that are no readings, and do not say when it was made."""
    lines = (" ".join(row) for row in tail if not any(map(kind_of, row)))
    return "\n".join(line for line in lines if not words.MADE.search(line))


def measure_above(text: str) -> str | None:
    """Return the unit of measure that the text above a table names, or the one of its lines on energy or power."""
    lines = [line for line in text.splitlines() if not _AMOUNT.search(line)]
    said = {
        unit
        for line in lines
        if (words.ENERGY.search(line) or words.POWER.search(line)) and (unit := words.unit_of(line))
    }
    return words.unit_of(text) or (said.pop() if len(said) == 1 else None)


def _of_text(text: str, why: str) -> Said | None:
    unit = None if _AMOUNT.search(text) else words.unit_of(text)
    return Said(unit, text, told(why, unit=words.shown(unit))) if unit else None


def prose(notes: Iterable[Rows]) -> str:
    """Return the texts beside tables, but for those that are tables themselves."""
    return "\n".join(" ".join(row) for text in notes if not _has_numbers(text) for row in text)


def _has_numbers(text: Rows) -> bool:
    return any(words.is_plain_number(cell) for row in text for cell in row if cell.strip())


def _of_names(names: Sequence[str]) -> Said | None:
    for name in names:
        text = name.replace("_", " ")
        found = {m[0].lower() for m in _IN_A_NAME.finditer(text)}
        if not found and words.POWER.search(text) and _POWER_IN_A_NAME.search(text):
            found = {"w"}
        if len(found) == 1:
            unit = found.pop()
            return Said(unit, text, told(_NAMED, unit=words.shown(unit)))
    return None


def units_listed(rows: Rows, known: Iterable[str]) -> Mapping[str, str]:
    """Return the serial of each name that rows pair with one, a pair a row; nothing if it is fewer than two.

    A name with two serials is none.
    """
    serials = frozenset(known)
    for listed in (_in_columns, _side_by_side, _one_below_the_other):
        pairs = {*listed(rows[:FIRST_ROWS], serials)}
        found = dict(pairs)
        if len(found) > 1 and len(pairs) == len(found) == len({*found.values()}):
            return found
    return {}


def _side_by_side(rows: Rows, serials: frozenset[str]) -> Iterator[tuple[str, str]]:
    """Give names and serials that stand beside each other in a row or a cell."""
    for row in rows:
        for one, other in _pairs(row):
            for name, serial in ((one, other), (other, one)):
                if serial in serials and name not in serials:
                    yield name, serial


def _in_columns(rows: Rows, serials: frozenset[str]) -> Iterator[tuple[str, str]]:
    """Give names and serials of a list with further columns: the first cell is the name, or the number under No."""
    heading: Sequence[str] = ()
    for row in rows:
        named = [cell.strip() for cell in row if cell.strip() in serials]
        name = row[0].strip() if row else ""
        if len(named) == 1 and name and name not in serials and not any(map(kind_of, row)):
            yield (f"{heading[0].strip()} {name}" if heading and name.isdecimal() else name), named[0]
        elif row and row[0].strip():
            heading = row


def _one_below_the_other(rows: Rows, serials: frozenset[str]) -> Iterator[tuple[str, str]]:
    """Give names that stand in a row above a row of their serials, or below it."""
    for above, below in pairwise(rows):
        for names, listed in ((above, below), (below, above)):
            at = [i for i, cell in enumerate(listed) if cell.strip() in serials]
            named = [names[i].strip() for i in at if i < len(names) and names[i].strip()]
            alone = {i for i, cell in enumerate(names) if i and cell.strip()} == {*at} - {0}
            if alone and len(named) == len(at) > 1 and not any(map(kind_of, names)):
                yield from ((names[i].strip(), listed[i].strip()) for i in at)


def _pairs(row: Sequence[str]) -> Iterator[tuple[str, str]]:
    full = [cell.strip() for cell in row if cell.strip()]
    if any(map(kind_of, full)):
        return
    if len(full) == 2:
        yield full[0], full[1]
    for cell in full:
        bare = cell[:LONGEST_PAIR]
        for text in (bare, bare.partition(":")[2]):
            if found := _PAIR.fullmatch(text):
                yield found[1], found[2]
