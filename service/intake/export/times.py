"""Reads times as exports write them. Which of day and month comes first is the caller's to know."""

from __future__ import annotations

import re
import unicodedata
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from service.intake.export.model import Order
from service.store.grids import BoolArray, IntArray

DAY_S = 86_400
LARGEST_OFFSET_S = 14 * 3600
"""No zone is further from UTC, and each by whole quarters of an hour."""

EARLIEST_YEAR, LATEST_YEAR = 2005, 2099
_EPOCH_DAY = date(1970, 1, 1).toordinal()

_WEEKDAY = re.compile(r"^(mo|di|mi|do|fr|sa|so|mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]*\s+(?=\S)", re.I)
_FIRST_WORD = re.compile(r"^[^\W\d_]{2,12}[.,]*\s+(?=\d)")
_NUMBERS = re.compile(r"^(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})(?!\d)")
_MONTH = r"(?:de\s+)?([^\W\d_]{3,10})\.?(?:[-. /,]+(?:del?\s+)?)"
_DAY_NAME = re.compile(rf"^(\d{{1,2}})[-. /]+{_MONTH}(\d{{2,4}})(?!\d)", re.I)
_NAME_DAY = re.compile(r"^([^\W\d_]{3,10})[-. /]+(\d{1,2})[-. /,]+(\d{2,4})(?!\d)", re.I)
_COMPACT = re.compile(r"^(20\d\d)(\d\d)(\d\d)(?:[T ]?(\d\d)(\d\d)(\d\d)?)?(?!\d)")
_TIME = re.compile(
    r"^[T ,]*(\d{1,2})[:h](\d{1,2})(?::(\d{2})(?:[.,]\d+)?)?(?!\d)\s*([ap])?(?:\.?\s?m\.?(?![a-z]))?"
    r"(?:\s*(?:uhr|hrs?|h)\b)?",
    re.I,
)
_DOTTED = re.compile(r"^[T ,]+(\d{1,2})\.(\d{2})(?:\.(\d{2}))?(?![\d.,])()", re.I)
"""A time after a date only: alone it is a number."""

_YEARLESS = (
    re.compile(r"^-{0,2}(\d{1,2})[-./](\d{1,2})()(?![\d/-])\.?,?\s*"),
    re.compile(r"^(\d{1,2})\.?[- ]+()([^\W\d_]{3,10})(?![^\W\d_])\.?,?\s*"),
    re.compile(r"^()()([^\W\d_]{3,10})\.?[- ]+\d{1,2}(?!\d)\.?,?\s*"),
)
"""Day and month in numbers, or one of them by its name; without more they may also be a number or a name."""

_OFFSET = re.compile(r"^(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d{2}))?$", re.I)
_ZONES = {"z": 0, "utc": 0, "gmt": 0, "cet": 3600, "mez": 3600, "cest": 7200, "mesz": 7200}
_MONTHS = {
    name: i
    for i, names in enumerate(
        ("jan ene gen sty", "feb fev lut", "mar mrt mrz maa", "apr avr abr kwi", "may mai mei mag maj",
         "jun juin giu cze", "jul juil lug lip",
         "aug aou ago sie", "sep set wrz", "oct okt ott out paz", "nov lis", "dec dez dic gru"), 1
    )
    for name in names.split()
}  # fmt: skip
"""By the first letters, without accents, in the languages of `words`."""


class Stamp(NamedTuple):
    """A time as written: the day's first second since 1970, the second of the day, the offset; None if not there."""

    day: int | None
    second: int | None
    offset: int | None

    @property
    def naive(self) -> int:
        """Return the seconds since 1970 on the clock that wrote it."""
        return (self.day or 0) + (self.second or 0)


def parse(text: str, order: Order) -> Stamp | None:
    """Return the time that a text holds, None if it is none under that order of day, month and year."""
    text = _WEEKDAY.sub("", text.strip())
    found = _parse(text, order)
    if found is None and text[:1].isalpha() and (word := _FIRST_WORD.match(text)):
        return _parse(text[word.end() :], order)  # a weekday in another language
    return found


def _parse(text: str, order: Order) -> Stamp | None:
    epoch = _epoch(text)
    if epoch is not None:
        return epoch
    found = _date(text, order)
    if found is None:
        return _time_only(text)
    day, second, rest = found
    if second is None:
        second, rest = _clock(rest, after_date=True)
    if (
        second == 0 and ":" in rest
    ):  # a workbook's date, which is midnight, with the time in a cell of its own
        later, beyond = _clock(rest)
        second, rest = (0, rest) if later is None else (later, beyond)
    offset = offset_of(rest)
    return None if rest and offset is None else Stamp(day, second, offset)


def offset_of(text: str) -> int | None:
    """Return the offset from UTC in seconds that a text such as `Z`, `+01:00` or `CET` names."""
    text = text.strip(" ()[]")
    found = _OFFSET.match(text)
    if not found:
        return _ZONES.get(text.lower())
    seconds = int(found[2]) * 3600 + int(found[3] or 0) * 60
    if seconds > LARGEST_OFFSET_S or seconds % 900:
        return None
    return -seconds if found[1] == "-" else seconds


def lacks_year(text: str) -> bool:
    """Return whether a text is a day and a month without a year, with a time behind it or alone."""
    bare = _WEEKDAY.sub("", text.strip())
    found = next((m for pattern in _YEARLESS if (m := pattern.match(bare)) and _is_day(m)), None)
    if found is None:
        return False
    rest = bare[found.end() :].lstrip("T ")
    return not rest or _clock(rest)[0] is not None


def _is_day(found: re.Match[str]) -> bool:
    if found[3]:
        return _month(found[3]) > 0
    low, high = sorted((int(found[1]), int(found[2])))
    return 1 <= low <= 12 and high <= 31


def depends_on_order(text: str) -> bool:
    """Return whether the date is written in numbers without a year of four digits in front."""
    bare = _WEEKDAY.sub("", text.strip())
    found = _NUMBERS.match(bare) or _NUMBERS.match(_FIRST_WORD.sub("", bare))
    return bool(found) and len(found[1]) < 3 if found else False


def _epoch(text: str) -> Stamp | None:
    digits = text.removesuffix(".0")
    if not (digits.isdecimal() and len(digits) in (10, 13, 16, 19)):
        return None
    seconds = int(digits[:10])
    if not 1_100_000_000 <= seconds < 4_000_000_000:
        return None
    return Stamp(seconds // DAY_S * DAY_S, seconds % DAY_S, 0)


def _date(text: str, order: Order) -> tuple[int, int | None, str] | None:
    compact = _COMPACT.match(text)
    if compact:
        year, month, day, hour, minute, second = (int(g or 0) for g in compact.groups())
        start = _day(year, month, day)
        timed = _of_day(hour, minute, second) if compact[4] else None
        return (
            None if start is None or (compact[4] and timed is None) else (start, timed, text[compact.end() :])
        )
    for pattern, read in ((_NUMBERS, _numbers), (_DAY_NAME, _day_name), (_NAME_DAY, _name_day)):
        found = pattern.match(text)
        if found:
            start = read(found, order)
            return None if start is None else (start, None, text[found.end() :].strip())
    return None


def _numbers(found: re.Match[str], order: Order) -> int | None:
    parts = (found[1], found[3], found[4])
    if len(parts[0]) > 2:
        order = "ymd"
    elif len(parts[2]) > 2 and order == "ymd":
        return None
    at = {letter: parts[order.index(letter)] for letter in "ymd"}
    return _day(_year(at["y"]), int(at["m"]), int(at["d"]))


def _day_name(found: re.Match[str], _order: Order) -> int | None:
    return _day(_year(found[3]), _month(found[2]), int(found[1]))


def _name_day(found: re.Match[str], _order: Order) -> int | None:
    return _day(_year(found[3]), _month(found[1]), int(found[2]))


@lru_cache(200)
def _month(name: str) -> int:
    plain = unicodedata.normalize("NFD", name.lower()).encode("ascii", "ignore").decode()
    return _MONTHS.get(plain[:4]) or _MONTHS.get(plain[:3], 0)


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)


def _day(year: int, month: int, day: int) -> int | None:
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return None
    try:
        return (date(year, month, day).toordinal() - _EPOCH_DAY) * DAY_S
    except ValueError:
        return None


def _clock(text: str, *, after_date: bool = False) -> tuple[int | None, str]:
    found = _TIME.match(text) or (_DOTTED.match(f" {text}") if after_date else None)
    if not found:
        return None, text.strip()
    hour = int(found[1])
    if found[4]:
        hour = hour % 12 + (12 if found[4].lower() == "p" else 0) if 1 <= hour <= 12 else 99
    second = _of_day(hour, int(found[2]), int(found[3] or 0))
    return second, found.string[found.end() :].strip() if second is not None else "?"


def _of_day(hour: int, minute: int, second: int) -> int | None:
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and minute + second):
        return None
    return hour * 3600 + minute * 60 + second


def _time_only(text: str) -> Stamp | None:
    second, rest = _clock(text)
    return (
        None if second is None or (rest and offset_of(rest) is None) else Stamp(None, second, offset_of(rest))
    )


# Many at once


NO_OFFSET = 1 << 30


class Stamps(NamedTuple):
    """Times in seconds since 1970 on the clock that wrote them; offsets from UTC, `NO_OFFSET` where there is none."""

    readable: BoolArray
    naive: IntArray
    offset: IntArray


def parse_all(texts: Any, order: Order) -> Stamps:
    """Return what `parse` makes of each of a pyarrow array of texts; dates and clocks come again and again."""
    import pyarrow.compute as pc  # noqa: PLC0415 - as in `blocks`

    at = _clock_begins(texts[0].as_py()) if len(texts) else 0
    dates = pc.utf8_slice_codeunits(texts, 0, at).dictionary_encode()
    clocks = pc.utf8_slice_codeunits(texts, at).dictionary_encode()
    day = _known([_date_alone(t, order) for t in dates.dictionary.to_pylist()], 1)[dates.indices]
    clock = _known([_clock_alone(t, order) for t in clocks.dictionary.to_pylist()], 2)[clocks.indices]
    naive, offset = day[:, 0] + clock[:, 0], clock[:, 1]
    readable = (day[:, 0] != _UNKNOWN) & (clock[:, 0] != _UNKNOWN)
    for i in np.flatnonzero(~readable).tolist():
        found = parse(texts[i].as_py(), order)
        readable[i] = found is not None and found.day is not None and found.second is not None
        if found is None or not readable[i]:
            naive[i], offset[i] = 0, 0
        else:
            naive[i], offset[i] = found.naive, NO_OFFSET if found.offset is None else found.offset
    return Stamps(readable, naive, offset)


_UNKNOWN = -(1 << 40)


def _known(found: list[tuple[int, ...] | None], width: int) -> IntArray:
    unknown = (_UNKNOWN,) * width
    return np.array([f or unknown for f in found], dtype=np.int64).reshape(-1, width)


def _clock_begins(text: str) -> int:
    """Return the place of the space or T before the hours, if one is there."""
    hours = text.find(":")
    return max(text.rfind(" ", 0, hours), text.rfind("T", 0, hours), 0) if hours > 0 else 0


def _date_alone(text: str, order: Order) -> tuple[int, ...] | None:
    found = parse(text, order)
    alone = found is not None and found.second is None and found.offset is None
    return (found.day,) if found is not None and found.day is not None and alone else None


def _clock_alone(text: str, order: Order) -> tuple[int, ...] | None:
    """Return second and offset of a text that goes on after a date; None where it may belong to it."""
    found = parse(text, order) if text[:1] in (" ", "T") and text[1:2].isdigit() else None
    if found is None or found.day is not None or found.second is None:
        return None
    return found.second, NO_OFFSET if found.offset is None else found.offset
