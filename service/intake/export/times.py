"""Reads times as exports write them. Which of day and month comes first is the caller's to know."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from datetime import date
from functools import cache, lru_cache
from typing import Any, NamedTuple

import numpy as np
from babel import Locale

from service.intake.export.abbreviations import everywhere
from service.intake.export.model import Order
from service.store.grids import BoolArray, IntArray

DAY_S = 86_400
LARGEST_OFFSET_S = 14 * 3600
"""No zone is further from UTC, and each by whole quarters of an hour."""

EARLIEST_YEAR, LATEST_YEAR = 2005, 2099
BUDDHIST_YEARS = 543
"""By so much the years of Thailand's official calendar are ahead (1 January is the same day): 2026 is 2569."""

_EPOCH_DAY = date(1970, 1, 1).toordinal()

_WEEKDAY = re.compile(r"^(mo|di|mi|do|fr|sa|so|mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]*\s+(?=\S)", re.I)
_WEEKDAYS = {
    "mo": 0,
    "di": 1,
    "tu": 1,
    "mi": 2,
    "we": 2,
    "do": 3,
    "th": 3,
    "fr": 4,
    "sa": 5,
    "so": 6,
    "su": 6,
}
_FIRST_WORD = re.compile(r"^[^\W\d_]{2,12}[.,]*\s+(?=\d)")
_NUMBERS = re.compile(r"^(\d{1,4})([-./]) ?(\d{1,2})\2 ?(\d{1,4})(?!\d)(?:\.(?=\s|$))?")
_MONTH = r"(?:(?:de|of)\s+)?([^\W\d_]{3,12})\.?(?:[-. /,]+(?:del?\s+)?)"
_TH = r"(?:st|nd|rd|th)?"
_DAY_NAME = re.compile(rf"^(\d{{1,2}}){_TH}[-. /]+{_MONTH}(\d{{2,4}})(?!\d)", re.I)
_DAY_ROMAN = re.compile(r"^(\d{1,2})[-. /]+([IVX]{1,4})[-. /]+(\d{4})(?!\d)")
_ROMAN = ("", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")
_DAY_NAME_TIGHT = re.compile(r"^(\d{1,2})([a-z]{3})(\d{4})(?!\d)", re.I)
_NAME_DAY = re.compile(rf"^([^\W\d_]{{3,12}})[-. /]+(\d{{1,2}}){_TH}[-. /,]+(\d{{2,4}})(?!\d)", re.I)
_YEAR_NAME_DAY = re.compile(r"^(20\d\d)\.?[-. /]+([^\W\d_]{3,12})\.?[-. /]+(\d{1,2})(?!\d)\.?", re.I)
"""As in Hungarian: 2026. május 14."""

_YEAR_LAST = re.compile(
    r"^([^\W\d_]{3,10} +\d{1,2}) +(\d{1,2}:\d\d(?::\d\d)?)((?: +[A-Z]{1,5})?) +(\d{4})$", re.I
)
"""As the C library writes a time: Wed Aug 12 00:15:00 2026."""

_COMPACT = re.compile(r"^(20\d\d)(\d\d)(\d\d)(?:[T ]?(\d\d)(\d\d)(?:(\d\d)(?:\.0+)?)?)?(?!\d)")
_WEEK = re.compile(r"^(\d{4})-?W(\d\d)-?([1-7])(?!\d)")
"""Year, week and day of the week of ISO 8601."""

_ORDINAL = re.compile(r"^(20\d\d)-(\d{3})(?!\d)")
"""Year and day of the year of ISO 8601."""

_SIGNS = re.compile(r"^(令和\d{1,2}|\d{4})\s?[年년]\s?(\d{1,2})\s?[月월]\s?(\d{1,2})\s?[日일]")
"""Year, month and day, each before its sign, as in Chinese, Japanese and Korean."""

BEFORE_REIWA = 2018
"""The first year of the Japanese era Reiwa is 2019."""

_TIME = re.compile(
    r"^[T ,]*(\d{1,2})(?:[:h]|[時时點点시] ?)(\d{1,2})(?::(\d{2})(?:[.,]\d+)?)?(?!\d)[分분]?"
    r"(?:\s*([ap])?(?:\.?\s?m\.?)?(?![a-z]))?"
    r"(?:\s*(?:uhr|hrs?|h|\u0447\.?)(?![^\W\d_]))?",
    re.I,
)
_HOUR = re.compile(r"^[T ,]*(\d{1,2})()()\s*([ap])\.?\s?m\.?(?![a-z])", re.I)
"""An hour of the half of the day: 3 PM."""

_HALF = re.compile(r"^[T ,]*(?:([오午上](?:전|前|午))|([오午下](?:후|後|午)))\s*")
"""Forenoon or afternoon before the clock, as in Chinese, Japanese and Korean."""

_COLON = re.compile(r"^:(?=\d{1,2}:\d\d)")
"""Between date and time, as some logs have it: 12/Aug/2026:00:15:00."""

_OF_YEAR = re.compile(r"^[ ,]*(?:\u0433(?:\u043e\u0434\w?)?|r|roku|g|god|year)\.?,?(?=\s|$)", re.I)
"""The word for year behind one, as in Bulgarian, Russian, Polish and Croatian."""

_OCLOCK = re.compile(r"^[ ,]*(?:klo|kl\.?|um|at|[\u00e0a]|alle|ob)\s+(?=\d)", re.I)
"""Between date and time, in words."""

_DOTTED = re.compile(r"^[T ,]+(\d{1,2})\.(\d{2})(?:\.(\d{2}))?(?![\d.,])()", re.I)
"""A time after a date only: alone it is a number."""

_YEARLESS = (
    re.compile(r"^-{0,2}(\d{1,2})[-./](\d{1,2})()(?![\d/-])\.?,?\s*"),
    re.compile(r"^(\d{1,2})\.?[- ]+()([^\W\d_]{3,10})(?![^\W\d_])\.?,?\s*"),
    re.compile(r"^()()([^\W\d_]{3,10})\.?[- ]+\d{1,2}(?!\d)\.?,?\s*"),
)
"""Day and month in numbers, or one of them by its name; without more they may also be a number or a name."""

_OFFSET = re.compile(r"^(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d{2}))?$", re.I)
SHORT = re.compile(r"[A-Z]{3,5}|ChST")
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

_LANGUAGES = "bg ca cs da de el en es et fi fr hr hu id it lt lv nb nl pl pt ro ru sk sl sr sv tr uk"
"""Whose names of months CLDR has, where the first letters do not tell."""


@cache
def _weekdays() -> frozenset[str]:
    """Return the names of the days of the week in CLDR, in full and short."""
    days = (
        Locale(code).days["format"][width] for code in _LANGUAGES.split() for width in ("wide", "abbreviated")
    )
    return frozenset(name.lower().rstrip(".") for names in days for name in names.values())


def without_weekdays(text: str) -> str:
    """Return a text without the names of days of the week."""
    kept = [word for word in text.split() if word.strip(".,;()").lower() not in _weekdays()]
    return " ".join(kept).strip(" ,;")


class Stamp(NamedTuple):
    """A time as written: the day's first second since 1970, the second of the day, the offset; None if not there.

    `zone` is the short name of a zone that it ends with: what that means depends on where it is written.
    """

    day: int | None
    second: int | None
    offset: int | None
    zone: str = ""

    @property
    def naive(self) -> int:
        """Return the seconds since 1970 on the clock that wrote it."""
        return (self.day or 0) + (self.second or 0)

    def where(self, meant: Mapping[str, int]) -> Stamp:
        """Return it with the offset that its zone's name means there, if any."""
        return self._replace(offset=meant[self.zone]) if self.zone in meant else self


def parse(text: str, order: Order) -> Stamp | None:
    """Return the time that a text holds, None if it is none under that order of day, month and year."""
    epoch = _epoch(text.strip())
    if epoch is not None:  # before which no weekday stands: Module 1745209130 is a module
        return epoch
    text = _WEEKDAY.sub("", text.strip())
    found = _parse(text, order)
    if found is None and text[:1].isalpha() and (word := _FIRST_WORD.match(text)):
        return _parse(text[word.end() :], order)  # a weekday in another language
    return found


def _parse(text: str, order: Order) -> Stamp | None:
    if last := _YEAR_LAST.match(text):
        text = f"{last[1]} {last[4]} {last[2]}{last[3]}"
    found = _date(text, order)
    if found is None:
        return _time_only(text)
    day, second, rest = found
    if second is None:
        rest = _OF_YEAR.sub("", _COLON.sub(" ", rest))
        second, rest = _clock(_OCLOCK.sub(" ", rest), after_date=True)
    if (
        second == 0 and ":" in rest
    ):  # a workbook's date, which is midnight, with the time in a cell of its own
        later, beyond = _clock(rest)
        second, rest = (0, rest) if later is None else (later, beyond)
    return _with_zone(day, second, rest)


def _with_zone(day: int | None, second: int | None, rest: str) -> Stamp | None:
    offset = offset_of(rest)
    if rest and offset is None:
        short = zone_name_of(rest)
        return Stamp(day, second, None, short) if short and second is not None else None
    return Stamp(day, second, offset)


def zone_name_of(text: str) -> str | None:
    """Return the short name of a zone, such as AEST, that a text is, whatever it means."""
    short = text.strip(" ()[]")
    is_one = SHORT.fullmatch(short) and short.upper() in everywhere()
    return short.upper() if is_one else None


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


def weekday_of(text: str) -> int | None:
    """Return the day of the week (0 is Monday) that stands before a date, in English or German."""
    found = _WEEKDAY.match(text.strip())
    return _WEEKDAYS[found[1].lower()[:2]] if found else None


def lacks_year(text: str) -> bool:
    """Return whether a text is a day and a month without a year, with a time behind it or alone."""
    bare = _WEEKDAY.sub("", text.strip())
    found = next((m for pattern in _YEARLESS if (m := pattern.match(bare)) and _is_day(m)), None)
    if found is None:
        return False
    rest = bare[found.end() :].lstrip("T ")
    return not rest or _clock(rest)[0] is not None


def with_year(text: str, year: str) -> str:
    """Return a text that begins with a day and a month with the year behind them; itself if it does not."""
    bare = _WEEKDAY.sub("", text.strip())
    found = next((m for pattern in _YEARLESS if (m := pattern.match(bare)) and _is_day(m)), None)
    if found is None:
        return text
    day = found[0].rstrip(" ,.")
    sign = next((s for s in "./-" if s in day), " ")
    return f"{day.removeprefix('--')}{sign}{year} {bare[found.end() :].lstrip('T ')}".strip()


def _is_day(found: re.Match[str]) -> bool:
    if found[3]:
        return month_of(found[3]) > 0
    low, high = sorted((int(found[1]), int(found[2])))
    return 1 <= low <= 12 and high <= 31


def depends_on_order(text: str) -> bool:
    """Return whether the date is written in numbers without a year of four digits in front."""
    bare = _WEEKDAY.sub("", text.strip())
    found = _NUMBERS.match(bare) or _NUMBERS.match(_FIRST_WORD.sub("", bare))
    return bool(found) and len(found[1]) < 3 if found else False


def _epoch(text: str) -> Stamp | None:
    digits, _, fraction = text.partition(".")
    if not (digits.isdecimal() and len(digits) in (10, 13, 16, 19)):
        return None
    if fraction and not (fraction.isdecimal() and len(digits) == 10):
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
    for pattern, read in _DATES:
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
    return _day(_year(found[3]), month_of(found[2]), int(found[1]))


def _day_roman(found: re.Match[str], _order: Order) -> int | None:
    return _day(_year(found[3]), _ROMAN.index(found[2]) if found[2] in _ROMAN else 0, int(found[1]))


def _name_day(found: re.Match[str], _order: Order) -> int | None:
    return _day(_year(found[3]), month_of(found[1]), int(found[2]))


def _year_name_day(found: re.Match[str], _order: Order) -> int | None:
    return _day(int(found[1]), month_of(found[2]), int(found[3]))


def _week_day(found: re.Match[str], _order: Order) -> int | None:
    try:
        at = date.fromisocalendar(int(found[1]), int(found[2]), int(found[3]))
    except ValueError:
        return None
    return _day(at.year, at.month, at.day)


def _ordinal(found: re.Match[str], _order: Order) -> int | None:
    year, number = int(found[1]), int(found[2])
    last = date(year, 12, 31).timetuple().tm_yday
    first = _day(year, 1, 1)
    return first + (number - 1) * DAY_S if first is not None and 1 <= number <= last else None


def _signs(found: re.Match[str], _order: Order) -> int | None:
    year = int(found[1]) if found[1].isdecimal() else BEFORE_REIWA + int(found[1].removeprefix("令和"))
    return _day(year, int(found[2]), int(found[3]))


_DATES = (
    (_NUMBERS, _numbers),
    (_DAY_NAME, _day_name),
    (_DAY_NAME_TIGHT, _day_name),
    (_DAY_ROMAN, _day_roman),
    (_NAME_DAY, _name_day),
    (_YEAR_NAME_DAY, _year_name_day),
    (_WEEK, _week_day),
    (_ORDINAL, _ordinal),
    (_SIGNS, _signs),
)


@lru_cache(200)
def month_of(name: str) -> int:
    """Return the month that a name means in whatever language, 0 if none."""
    plain = _unaccented(name)
    if plain in _MONTHS:
        return _MONTHS[plain]
    return _named_months().get(plain) or _MONTHS.get(plain[:4]) or _MONTHS.get(plain[:3], 0)


def _unaccented(name: str) -> str:
    letters = unicodedata.normalize("NFD", name.casefold())
    return "".join(letter for letter in letters if letter.isalpha())


@cache
def _named_months() -> dict[str, int]:
    """Return the months by the names that mean only one, in whatever language."""
    found: dict[str, set[int]] = {}
    for locale in map(Locale.parse, _LANGUAGES.split()):
        forms = [
            locale.months[use][width]
            for use in ("format", "stand-alone")
            for width in ("wide", "abbreviated")
        ]
        for month, name in (named for form in forms for named in form.items()):
            found.setdefault(_unaccented(name), set()).add(month)
    return {name: months.pop() for name, months in found.items() if len(months) == 1}


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)


def _day(year: int, month: int, day: int) -> int | None:
    if year >= EARLIEST_YEAR + BUDDHIST_YEARS:
        year -= BUDDHIST_YEARS
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return None
    try:
        return (date(year, month, day).toordinal() - _EPOCH_DAY) * DAY_S
    except ValueError:
        return None


def _clock(text: str, *, after_date: bool = False) -> tuple[int | None, str]:
    half = _HALF.match(text)
    text = text[half.end() :] if half else text
    found = _TIME.match(text) or _HOUR.match(text) or (_DOTTED.match(f" {text}") if after_date else None)
    if not found:
        return None, text.strip()
    hour = int(found[1])
    letter = found[4] or (half and ("a" if half[1] else "p"))
    if letter:
        hour = hour % 12 + (12 if letter.lower() == "p" else 0) if half or 1 <= hour <= 12 else 99
    second = _of_day(hour, int(found[2] or 0), int(found[3] or 0))
    return second, found.string[found.end() :].strip() if second is not None else "?"


def _of_day(hour: int, minute: int, second: int) -> int | None:
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and minute + second):
        return None
    return hour * 3600 + minute * 60 + second


def _time_only(text: str) -> Stamp | None:
    second, rest = _clock(text)
    return None if second is None else _with_zone(None, second, rest)


# Many at once


NO_OFFSET = 1 << 30
NOTHING_MEANT: Mapping[str, int] = {}


class Stamps(NamedTuple):
    """Times in seconds since 1970 on the clock that wrote them; offsets from UTC, `NO_OFFSET` where there is none."""

    readable: BoolArray
    naive: IntArray
    offset: IntArray


def parse_all(texts: Any, order: Order, meant: Mapping[str, int] = NOTHING_MEANT) -> Stamps:
    """Return what `parse` makes of each of a pyarrow array of texts; dates and clocks come again and again.

    `meant` are the offsets that short names of zones mean.
    """
    import pyarrow.compute as pc  # noqa: PLC0415 - as in `blocks`

    at = _clock_begins(texts[0].as_py()) if len(texts) else 0
    dates = pc.utf8_slice_codeunits(texts, 0, at).dictionary_encode()
    clocks = pc.utf8_slice_codeunits(texts, at).dictionary_encode()
    day = _known([_date_alone(t, order) for t in dates.dictionary.to_pylist()], 1)[dates.indices]
    clock = _known([_clock_alone(t, order, meant) for t in clocks.dictionary.to_pylist()], 2)[clocks.indices]
    naive, offset = day[:, 0] + clock[:, 0], clock[:, 1]
    readable = (day[:, 0] != _UNKNOWN) & (clock[:, 0] != _UNKNOWN)
    for i in np.flatnonzero(~readable).tolist():
        found = parse(texts[i].as_py(), order)
        readable[i] = found is not None and found.day is not None and found.second is not None
        if found is None or not readable[i]:
            naive[i], offset[i] = 0, 0
        else:
            naive[i], offset[i] = found.naive, _offset_or_none(found.where(meant))
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


def _offset_or_none(found: Stamp) -> int:
    return NO_OFFSET if found.offset is None else found.offset


def _clock_alone(text: str, order: Order, meant: Mapping[str, int]) -> tuple[int, ...] | None:
    """Return second and offset of a text that goes on after a date; None where it may belong to it."""
    found = parse(text, order) if text[:1] in (" ", "T") and text[1:2].isdigit() else None
    if found is None or found.day is not None or found.second is None:
        return None
    return found.second, _offset_or_none(found.where(meant))
