"""Reads single cells: numbers with either decimal separator, and serials as spreadsheets leave them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from math import inf, isfinite, nan
from typing import NamedTuple

import numpy as np

from service.intake.export.blocks import Texts
from service.intake.export.words import is_dash, is_missing
from service.intake.problems import told
from service.store.grids import BoolArray, FloatArray

_COMMA_IS_DECIMAL = re.compile(r"^[+-]?(0\d*,\d+|\d+,\d{1,2}|\d+,\d{4,}|\d{4,},\d+|\d{1,3}(\.\d{3})+,\d*)$")
_POINT_IS_DECIMAL = re.compile(
    r"^[+-]?((0\d*)?\.\d+|\d+\.\d{1,2}|\d+\.\d{4,}|\d{4,}\.\d+|\d{1,3}(,\d{3})+\.\d*|\d{1,2}(,\d\d)+,\d{3}\.\d*)$"
)
_POINT_GROUPS = re.compile(r"^[+-]?[1-9]\d{0,2}(\.\d{3})+$")
_COMMA_GROUPS = re.compile(r"^[+-]?[1-9]\d{0,2}(,\d{3})+$|^[+-]?[1-9]\d?(,\d\d)+,\d{3}$")
"""By thousands, or by hundreds above the first as in India: 12,34,567."""

_TWICE_GROUPED = {
    ",": re.compile(r"^[+-]?[1-9]\d{0,2}(,\d{3}){2,}$|^[+-]?[1-9]\d?(,\d\d)+,\d{3}$"),
    ".": re.compile(r"^[+-]?[1-9]\d{0,2}(\.\d{3}){2,}$"),
}
_SCIENTIFIC = re.compile(r"^\d([.,]\d+)?e\+?\d+$", re.I)
_EXPONENT = re.compile(r"(?<=\d)e[+-]?\d{1,3}$", re.I)
_APART = str.maketrans({"'": None, "\u2019": None, "\u2212": "-", "\u066b": ".", "\u066c": None})
_ARABIC_DIGITS = str.maketrans({chr(zero + n): str(n) for zero in (0x660, 0x6F0) for n in range(10)})


def decimal_of(cells: Iterable[str]) -> tuple[str | None, str]:
    """Return the decimal separator of numbers and why; None where 1,234 or 1.234 may be either."""
    texts = {_bare(c) for c in cells}
    comma, point, grouped = decimal_signs(texts)
    if comma != point:
        return (
            (",", told("numbers are written as 0,5"))
            if comma > point
            else (".", told("numbers are written as 0.5"))
        )
    twice = {sign for sign, groups in _TWICE_GROUPED.items() if any(groups.match(t) for t in texts)}
    if len(twice) == 1 and not comma:
        return (".", told("commas part thousands")) if "," in twice else (",", told("points part thousands"))
    if comma or grouped:
        return None, told("numbers such as 1,234 or 1.234 may be one and a bit, or above a thousand")
    return ".", told("the numbers are whole")


class Signs(NamedTuple):
    """How many different numbers certainly have a comma before their fractions, a point, and may have either."""

    comma: int
    point: int
    either: int


def decimal_signs(cells: Iterable[str]) -> Signs:
    """Return what the numbers among cells say of their decimal sign."""
    texts = {_EXPONENT.sub("", _bare(c)) for c in cells}
    kinds = (_COMMA_IS_DECIMAL,), (_POINT_IS_DECIMAL,), (_COMMA_GROUPS, _POINT_GROUPS)
    return Signs(*(sum(any(sign.match(t) for sign in kind) for t in texts) for kind in kinds))


def number(cell: str, decimal: str) -> float | None:
    """Return the number in a cell, None if it is missing; ValueError if it is no number."""
    try:
        found = float(cell) if decimal == "." and "_" not in cell else float("?")
    except ValueError:
        if is_missing(cell):
            return None
        found = _number(cell, decimal)
    return found if isfinite(found) else _not_finite(cell)


def _not_finite(cell: str) -> float | None:
    if is_missing(cell):
        return None
    raise ValueError("is not finite")


def _number(cell: str, decimal: str) -> float:
    text = _bare(cell)
    groups = _POINT_GROUPS if decimal == "," else _COMMA_GROUPS
    group, whole = ("." if decimal == "," else ","), text.partition(decimal)[0]
    if "_" in text or (group in text and not groups.match(whole)):
        raise ValueError("is not a number in the way of the others")
    return float(text.replace(group, "").replace(decimal, "."))


def _bare(cell: str) -> str:
    """Return a number without the spaces (of any width) and apostrophes that part its thousands."""
    return "".join(cell.split()).translate(_APART)


def dashes(cells: FloatArray | Texts) -> BoolArray:
    """Return which of the cells are dashes; numbers are none."""
    if not isinstance(cells, Texts):
        return np.zeros(cells.size, dtype=bool)
    found: BoolArray = np.array([is_dash(text) for text in cells.distinct.to_pylist()], dtype=bool)[
        cells.codes
    ]
    return found


def numbers(cells: FloatArray | Texts, decimal: str) -> FloatArray:
    """Return what `number` makes of each cell: NaN if it is missing, infinity if it is no number."""
    if not isinstance(cells, Texts):
        return cells
    found = np.array([_or_infinite(text, decimal) for text in cells.distinct.to_pylist()], dtype=np.float64)
    return found[cells.codes]


def _or_infinite(cell: str, decimal: str) -> float:
    try:
        found = number(cell, decimal)
    except ValueError:
        return inf
    return nan if found is None else found


class Serials:
    """Finds the record's serials in texts, also where a spreadsheet has dropped their leading zeros."""

    def __init__(self, known: Iterable[str]) -> None:
        self.known = frozenset(known)
        self._bare: dict[str, list[str]] = {}
        for serial in self.known:
            self._bare.setdefault(serial.lstrip("0"), []).append(serial)
        longest = sorted(self.known, key=len, reverse=True)
        self._any = (
            re.compile(r"(?<![\w/])(" + "|".join(map(re.escape, longest)) + r")(?![\w/])")
            if longest
            else None
        )

    def resolve(self, cell: str) -> str | None:
        """Return the serial that a cell means, the record's if it is one; None where digits were lost."""
        text = cell.strip().removeprefix("=").strip("\"'` ").removesuffix(".0").translate(_ARABIC_DIGITS)
        if text in self.known:
            return text
        if _SCIENTIFIC.match(text):
            return None
        return self._without_zeros(text) or text

    def within(self, text: str) -> str | None:
        """Return the record's serial that a heading holds, if it is just one."""
        text = text.translate(_ARABIC_DIGITS)
        found = set(self._any.findall(text)) if self._any else set()
        if not found:
            found = {s for word in re.findall(r"[\w/-]+", text) if (s := self._without_zeros(word))}
        return found.pop() if len(found) == 1 else None

    def is_known(self, cell: str) -> bool:
        """Return whether the cell means a unit of the record."""
        return self.resolve(cell) in self.known

    def _without_zeros(self, text: str) -> str | None:
        found = self._bare.get(text.lstrip("0"), []) if text else []
        return found[0] if len(found) == 1 else None


def lost_digits(text: str) -> bool:
    """Return whether a serial was written as 4.82913E+11, which has lost its last digits."""
    return any(_SCIENTIFIC.match(word.strip("\"'=()")) for word in text.split())
