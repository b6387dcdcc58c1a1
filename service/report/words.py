"""The words for what a verification says: causes, quantities, places and times, each worded in one place.

For people, on every page, chart, notice and paper. Not for programs: those read the contract's names.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Literal
from zoneinfo import ZoneInfo

from babel.dates import format_date, format_time
from babel.numbers import format_decimal

from service.report.language import Forms, current_locale, gettext, marked, ngettext, nmarked, pgettext

NBSP = "\u00a0"
EN_DASH = "\u2013"
MINUS = "\u2212"

Mark = Literal["silent", "off", "comes-and-goes", "part", "shade", "record", "limit"]
"""The shape that goes with a cause; a shape always stands beside its words."""

Place = Literal["desk", "board", "roof"]
"""Where the first look is taken: at the desk or gateway, at the distribution board, on the roof."""

Care = Literal["none", "roof", "mains", "both"]
"""Which cautions go with the work that a cause may lead to, also after the first look."""


@dataclass(frozen=True)
class CauseWords:
    """A cause in words, in the reader's language: what is kept is the English, marked for translation."""

    english_short: str
    english_phrase: Forms
    english_owner: str
    mark: Mark
    place: Place
    care: Care

    @property
    def short(self) -> str:
        """Return the cause as it fits a cell."""
        return gettext(self.english_short)

    @property
    def one(self) -> str:
        """Return what follows one unit."""
        return self.phrase(1)

    @property
    def many(self) -> str:
        """Return what follows several units, whose number is not told."""
        return self.phrase(2)

    @property
    def owner(self) -> str:
        """Return the sentence for the owner, which takes `{panels}`."""
        return gettext(self.english_owner)

    def phrase(self, count: int) -> str:
        """Return what follows so many units."""
        return ngettext(*self.english_phrase, count)


CAUSES: dict[str, CauseWords] = {
    "not_reporting": CauseWords(
        marked("silent"),
        nmarked("never heard", "never heard"),
        marked("We get no word from {panels}."),
        "silent",
        "desk",
        "both",
    ),
    "not_on_record": CauseWords(
        marked("off record"),
        nmarked("heard but not on the record", "heard but not on the record"),
        marked("The list of your panels needs a correction; this changes nothing in what they make."),
        "record",
        "desk",
        "roof",
    ),
    "no_output": CauseWords(
        marked("nothing"),
        nmarked("makes nothing", "make nothing"),
        marked("No power comes from {panels}."),
        "off",
        "roof",
        "both",
    ),
    "intermittent": CauseWords(
        marked("on and off"),
        nmarked("drops out", "drop out"),
        marked("Power from {panels} comes and goes."),
        "comes-and-goes",
        "roof",
        "both",
    ),
    "substring_out": CauseWords(
        marked("part lost"),
        nmarked("lost a part of its module", "lost a part of their module"),
        marked("A section has stopped working in {panels}."),
        "part",
        "roof",
        "both",
    ),
    "low_output": CauseWords(
        marked("low"),
        nmarked("steadily low", "steadily low"),
        marked("We get less power than we should from {panels}."),
        "part",
        "roof",
        "both",
    ),
    "shaded": CauseWords(
        marked("shade"),
        nmarked("in shade at times", "in shade at times"),
        marked("A shadow falls on {panels} for part of the day."),
        "shade",
        "roof",
        "roof",
    ),
    "wrong_plane": CauseWords(
        marked("other plane"),
        nmarked("faces another way than recorded", "face another way than recorded"),
        marked("The drawing of your roof needs a correction; this changes nothing in what your panels make."),
        "record",
        "desk",
        "roof",
    ),
    "swapped": CauseWords(
        marked("swapped"),
        nmarked("changed places with another", "changed places with each other"),
        marked("The drawing of your roof needs a correction; this changes nothing in what your panels make."),
        "record",
        "desk",
        "roof",
    ),
    "branch_out": CauseWords(
        marked("branch off"),
        nmarked("off with its branch circuit", "off with their branch circuit"),
        marked("A group of panels is switched off: no power comes from {panels}."),
        "off",
        "board",
        "mains",
    ),
    "voltage_trip": CauseWords(
        marked("trips"),
        nmarked("trips with its branch circuit", "trip with their branch circuit"),
        marked("A group of panels switches itself off for minutes when the sun is strong."),
        "comes-and-goes",
        "board",
        "mains",
    ),
    "clock_shift": CauseWords(
        marked("clock"),
        nmarked("readings at the wrong time", "readings at the wrong time"),
        marked("The clock of your system is off; this changes nothing in what your panels make."),
        "record",
        "desk",
        "none",
    ),
    "plane_misdescribed": CauseWords(
        marked("plane"),
        nmarked(
            "on a roof plane that faces another way than recorded",
            "on a roof plane that faces another way than recorded",
        ),
        marked("The drawing of your roof needs a correction; this changes nothing in what your panels make."),
        "record",
        "desk",
        "roof",
    ),
    "curtailed": CauseWords(
        marked("held back"),
        nmarked("held back with the whole site", "held back with the whole site"),
        marked("Something limits the power of your whole roof at the sunniest hours."),
        "limit",
        "desk",
        "mains",
    ),
    "site_low": CauseWords(
        marked("low"),
        nmarked("low with the whole site", "low with the whole site"),
        marked("Your whole roof makes less than the light allows."),
        "part",
        "desk",
        "roof",
    ),
    "unit_scale": CauseWords(
        marked("factor"),
        nmarked("readings off by a constant factor", "readings off by a constant factor"),
        marked("Your system's figures came on a wrong scale and were put right."),
        "record",
        "desk",
        "none",
    ),
    "data_gap": CauseWords(
        marked("gaps"),
        nmarked("not heard all the time", "not heard all the time"),
        marked("Some of your system's reports did not arrive."),
        "silent",
        "desk",
        "both",
    ),
    "clipping": CauseWords(
        marked("at limit"),
        nmarked("at its rated limit, as designed", "at their rated limit, as designed"),
        marked("At the sunniest hours your panels reach their limit, as planned."),
        "limit",
        "desk",
        "none",
    ),
}
"""Every cause of the contract."""

SITE_SENTENCES: dict[str, str] = {
    "branch_out": marked("A branch circuit is off"),
    "clock_shift": marked("The clock of the readings is off"),
    "plane_misdescribed": marked("A roof plane does not face as recorded"),
    "curtailed": marked("The site\u2019s power is held back"),
    "site_low": marked("The whole site is low"),
    "unit_scale": marked("The readings are off by a constant factor"),
    "data_gap": marked("Readings are missing"),
    "not_on_record": marked("Units are heard that are not on the record"),
}
"""How a cause is headed where it concerns a site, a plane or serials off the record, and no unit of the plan."""


OPEN_QUESTIONS: dict[str, str] = {
    "no_output": marked("units that make nothing"),
    "branch_out": marked("branch circuits that are off"),
    "substring_out": marked("lost parts of modules"),
    "low_output": marked("small steady losses"),
    "intermittent": marked("units that drop out"),
    "voltage_trip": marked("branch circuits that trip"),
    "shaded": marked("shade"),
    "clock_shift": marked("the readings\u2019 clock"),
    "plane_misdescribed": marked("how the planes face"),
    "wrong_plane": marked("units on another plane"),
    "swapped": marked("units that changed places"),
    "curtailed": marked("a limit on the site\u2019s power"),
    "site_low": marked("the level of the whole site"),
    "unit_scale": marked("the scale of the readings"),
}
"""What is open while a cause cannot be judged. Those that any reading judges are not here."""


PLACE_SENTENCES: dict[Place, str] = {
    "desk": marked("No climbing for the first look: record, gateway or readings"),
    "board": marked("First look at the distribution board"),
    "roof": marked("First look on the roof"),
}

CONFIDENCES: tuple[tuple[float, str], ...] = (
    (0.95, marked("almost certain")),
    (0.85, marked("very likely")),
    (0.65, marked("likely")),
    (0.0, marked("possible")),
)
"""From which confidence (0-1) on it is called so."""

Noun = Literal["unit", "site", "day", "panel", "minute", "more minute", "hour"]

NOUNS: dict[Noun, Forms] = {
    "unit": nmarked("%(num)s unit", "%(num)s units"),
    "site": nmarked("%(num)s site", "%(num)s sites"),
    "day": nmarked("%(num)s day", "%(num)s days"),
    "panel": nmarked("%(num)s panel", "%(num)s panels"),
    "minute": nmarked("%(num)s minute", "%(num)s minutes"),
    "more minute": nmarked("%(num)s more minute", "%(num)s more minutes"),
    "hour": nmarked("%(num)s hour", "%(num)s hours"),
}
"""What is counted by itself; within a sentence the whole sentence is translated, with its number."""


def open_question(cause: str) -> str:
    """Return what is open while a cause cannot be judged."""
    return gettext(OPEN_QUESTIONS[cause]) if cause in OPEN_QUESTIONS else CAUSES[cause].one


def site_sentence(cause: str) -> str:
    """Return the heading of a cause that concerns no single unit of the plan."""
    return gettext(SITE_SENTENCES[cause]) if cause in SITE_SENTENCES else capital(CAUSES[cause].one)


def place_sentence(cause: str) -> str:
    """Return where the first look at a cause is taken."""
    return gettext(PLACE_SENTENCES[CAUSES[cause].place])


def capital(text: str) -> str:
    """Return the text with its first letter as at the start of a sentence, the others as they are."""
    return text[:1].upper() + text[1:]


# Numbers


def number(value: float, decimals: int = 0) -> str:
    """Return a number as the reader's language writes it, with a true minus sign and thousands in groups."""
    rounded = Decimal(f"{value:.{decimals}f}")
    places = "." + "0" * decimals if decimals else ""
    return format_decimal(
        abs(rounded) if rounded == 0 else rounded, f"#,##0{places}", current_locale()
    ).replace("-", MINUS)


def short_number(value: float) -> str:
    """Return a number with as many decimals as it has, at most six figures: 1.5, 30."""
    return number(value, max(0, -int(Decimal(f"{value:g}").as_tuple().exponent)))


def energy(wh: float | None) -> str:
    """Return an energy with its unit to about three figures: 640 Wh, 1.24 kWh, 142 kWh, 31.2 MWh."""
    if wh is None:
        return EN_DASH
    divisor, decimals, unit = _energy_scale(abs(wh))
    return f"{number(wh / divisor, decimals)}{NBSP}{unit}"


def energy_of(part_wh: float, whole_wh: float) -> str:
    """Return one energy beside another in the same unit: 24.9 of 26.3 kWh."""
    divisor, decimals, unit = _energy_scale(max(abs(part_wh), abs(whole_wh)))
    part, whole = (number(wh / divisor, decimals) for wh in (part_wh, whole_wh))
    return gettext("%(part)s of %(whole)s") % {"part": part, "whole": f"{whole}{NBSP}{unit}"}


def _energy_scale(size_wh: float) -> tuple[float, int, str]:
    for below_wh, scale in (
        (999.5, (1.0, 0, "Wh")),
        (9_995, (1e3, 2, "kWh")),
        (99_950, (1e3, 1, "kWh")),
        (9_999_500, (1e3, 0, "kWh")),
    ):
        if size_wh < below_wh:
            return scale
    return 1e6, 1, "MWh"


def power(watts: float) -> str:
    """Return a power with its unit: 400 W, 8 kW."""
    return f"{number(watts)}{NBSP}W" if watts < 1000 else f"{short_number(watts / 1000)}{NBSP}kW"


def rated(name: str, watts: float) -> str:
    """Return a type's name with its rating, which many names hold already: 'module 400 W', 'inverter 1.5 kW'."""
    written = (f"{watts:.0f}{NBSP}W", f"{watts / 1000:g}{NBSP}kW", power(watts))
    forms = "|".join(re.escape(form).replace(NBSP, r"\s?") for form in written)
    holds = re.search(rf"(?<![\d.,])(?:{forms})p?\b", name, re.IGNORECASE)
    return name if holds else f"{name} {power(watts)}"


def angle(degrees: float) -> str:
    """Return an angle: 30\u00b0, 22.5\u00b0."""
    return f"{short_number(degrees)}\u00b0"


def ratio(value: float | None) -> str:
    """Return a ratio to two decimals, as performance ratios are written."""
    return EN_DASH if value is None else number(value, 2)


def percent(share: float | None) -> str:
    """Return a share (0-1) in percent; never 100 % or 0 % unless it is all or nothing."""
    if share is None:
        return EN_DASH
    whole = round(100 * share)
    if whole == 100 and share < 1:
        whole = 99
    if whole == 0 and share > 0:
        return (gettext("under %(share)s") % {"share": f"1{NBSP}%"}).replace(" ", NBSP)
    return f"{number(whole)}{NBSP}%"


def between(low: str, high: str) -> str:
    """Return a stretch from one value to another: '0.97 to 1.03', '6:00 to 20:00'."""
    return gettext("%(first)s to %(last)s") % {"first": low, "last": high}


def confidence(share: float) -> str:
    """Return a confidence (0-1) as a word and its number."""
    word = next(word for least, word in CONFIDENCES if share >= least)
    return f"{gettext(word)} ({percent(share)})"


def counted(count: int, noun: Noun) -> str:
    """Return a number with the noun in the right form."""
    return (ngettext(*NOUNS[noun], count) % {"num": number(count)}).replace(" ", NBSP)


def cause_count(cause: str, count: int) -> str:
    """Return how many units have a cause: '1 makes nothing', '3 in shade at times'."""
    return f"{number(count)}{NBSP}{CAUSES[cause].phrase(count)}"


# Places and lists


def position(plane: str, row: int | None, column: int | None) -> str:
    """Return a place on the roof in words."""
    if row is None and column is None:
        return gettext("%(plane)s, place not on the record") % {"plane": plane}
    parts = [gettext("row %(row)s") % {"row": row}] if row is not None else []
    parts += [gettext("column %(column)s") % {"column": column}] if column is not None else []
    return ", ".join([plane, *(part.replace(" ", NBSP) for part in parts)])


def listed(items: Iterable[str]) -> str:
    """Return items as a sentence lists them: 'a, b and c'."""
    found = list(items)
    if len(found) < 2:
        return "".join(found)
    return gettext("%(items)s and %(last)s") % {"items": ", ".join(found[:-1]), "last": found[-1]}


# Dates and times, in the site's zone; the patterns are those of CLDR, and a language has its own


def dated(value: date, pattern: str) -> str:
    """Return a date in a CLDR pattern and the reader's language; the pattern is translated by the caller."""
    return format_date(value, pattern, current_locale()).replace(" ", NBSP)


def day(value: date) -> str:
    """Return a date as it is said: Tue 5 May 2026."""
    return dated(value, pgettext("date", "EEE d MMM y"))


def short_day(value: date) -> str:
    """Return a date without its year: Tue 5 May."""
    return dated(value, pgettext("date", "EEE d MMM"))


def day_of_month(value: date) -> str:
    """Return a date without year and weekday: 5 May."""
    return dated(value, pgettext("date", "d MMM"))


def weekday(value: date) -> str:
    """Return the name of a day of the week: Tuesday."""
    return dated(value, "EEEE")


def month(number_of_month: int) -> str:
    """Return a month's name: June."""
    return dated(date(2001, number_of_month, 1), "LLLL")


def clock(value: time) -> str:
    """Return a time of day: 11:40."""
    return format_time(value, pgettext("time", "HH:mm"), locale=current_locale())


def moment(value: datetime | None, zone: ZoneInfo) -> str:
    """Return a moment on the site's clock: Tue 5 May 2026, 11:40."""
    if value is None:
        return EN_DASH
    local = value.astimezone(zone)
    return gettext("%(day)s, %(time)s") % {"day": day(local.date()), "time": clock(local.time())}


def days(first: date, last: date) -> str:
    """Return a stretch of days, both ends included: '4 to 10 May 2026'."""
    if first == last:
        return day(first)
    full = pgettext("date", "d MMM y")
    head = full
    if first.year == last.year:
        head = pgettext("date", "d") if first.month == last.month else pgettext("date", "d MMM")
    return between(dated(first, head), dated(last, full)).replace(" ", NBSP)


def span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    """Return the local days from `start` to before `end`."""
    first = start.astimezone(zone).date()
    return days(first, max(first, (end - timedelta(microseconds=1)).astimezone(zone).date()))
