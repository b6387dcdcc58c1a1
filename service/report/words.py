"""The words for what a verification says: causes, quantities, places and times, each worded in one place.

For people, on every page, chart, notice and paper. Not for programs: those read the contract's names.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

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
    """A cause in words: `short` fits a cell, `one` and `many` follow a number of units, `owner` takes `{panels}`."""

    short: str
    one: str
    many: str
    owner: str
    mark: Mark
    place: Place
    care: Care


CAUSES: dict[str, CauseWords] = {
    "not_reporting": CauseWords(
        "silent", "never heard", "never heard", "We get no word from {panels}.", "silent", "desk", "both"
    ),
    "not_on_record": CauseWords(
        "off record",
        "heard but not on the record",
        "heard but not on the record",
        "The list of your panels needs a correction; this changes nothing in what they make.",
        "record",
        "desk",
        "roof",
    ),
    "no_output": CauseWords(
        "nothing", "makes nothing", "make nothing", "No power comes from {panels}.", "off", "roof", "both"
    ),
    "intermittent": CauseWords(
        "on and off",
        "drops out",
        "drop out",
        "Power from {panels} comes and goes.",
        "comes-and-goes",
        "roof",
        "both",
    ),
    "substring_out": CauseWords(
        "part lost",
        "lost a part of its module",
        "lost a part of their module",
        "A section has stopped working in {panels}.",
        "part",
        "roof",
        "both",
    ),
    "low_output": CauseWords(
        "low",
        "steadily low",
        "steadily low",
        "We get less power than we should from {panels}.",
        "part",
        "roof",
        "both",
    ),
    "shaded": CauseWords(
        "shade",
        "in shade at times",
        "in shade at times",
        "A shadow falls on {panels} for part of the day.",
        "shade",
        "roof",
        "roof",
    ),
    "wrong_plane": CauseWords(
        "other plane",
        "faces another way than recorded",
        "face another way than recorded",
        "The drawing of your roof needs a correction; this changes nothing in what your panels make.",
        "record",
        "desk",
        "roof",
    ),
    "swapped": CauseWords(
        "swapped",
        "changed places with another",
        "changed places with each other",
        "The drawing of your roof needs a correction; this changes nothing in what your panels make.",
        "record",
        "desk",
        "roof",
    ),
    "branch_out": CauseWords(
        "branch off",
        "off with its branch circuit",
        "off with their branch circuit",
        "A group of panels is switched off: no power comes from {panels}.",
        "off",
        "board",
        "mains",
    ),
    "voltage_trip": CauseWords(
        "trips",
        "trips with its branch circuit",
        "trip with their branch circuit",
        "A group of panels switches itself off for minutes when the sun is strong.",
        "comes-and-goes",
        "board",
        "mains",
    ),
    "clock_shift": CauseWords(
        "clock",
        "readings at the wrong time",
        "readings at the wrong time",
        "The clock of your system is off; this changes nothing in what your panels make.",
        "record",
        "desk",
        "none",
    ),
    "plane_misdescribed": CauseWords(
        "plane",
        "on a roof plane that faces another way than recorded",
        "on a roof plane that faces another way than recorded",
        "The drawing of your roof needs a correction; this changes nothing in what your panels make.",
        "record",
        "desk",
        "roof",
    ),
    "curtailed": CauseWords(
        "held back",
        "held back with the whole site",
        "held back with the whole site",
        "Something limits the power of your whole roof at the sunniest hours.",
        "limit",
        "desk",
        "mains",
    ),
    "site_low": CauseWords(
        "low",
        "low with the whole site",
        "low with the whole site",
        "Your whole roof makes less than the light allows.",
        "part",
        "desk",
        "roof",
    ),
    "unit_scale": CauseWords(
        "factor",
        "readings off by a constant factor",
        "readings off by a constant factor",
        "Your system's figures came on a wrong scale and were put right.",
        "record",
        "desk",
        "none",
    ),
    "data_gap": CauseWords(
        "gaps",
        "not heard all the time",
        "not heard all the time",
        "Some of your system's reports did not arrive.",
        "silent",
        "desk",
        "both",
    ),
    "clipping": CauseWords(
        "at limit",
        "at its rated limit, as designed",
        "at their rated limit, as designed",
        "At the sunniest hours your panels reach their limit, as planned.",
        "limit",
        "desk",
        "none",
    ),
}
"""Every cause of the contract."""

SITE_SENTENCES: dict[str, str] = {
    "branch_out": "A branch circuit is off",
    "clock_shift": "The clock of the readings is off",
    "plane_misdescribed": "A roof plane does not face as recorded",
    "curtailed": "The site\u2019s power is held back",
    "site_low": "The whole site is low",
    "unit_scale": "The readings are off by a constant factor",
    "data_gap": "Readings are missing",
    "not_on_record": "Units are heard that are not on the record",
}
"""How a cause is headed where it concerns a site, a plane or serials off the record, and no unit of the plan."""


OPEN_QUESTIONS: dict[str, str] = {
    "no_output": "units that make nothing",
    "branch_out": "branch circuits that are off",
    "substring_out": "lost parts of modules",
    "low_output": "small steady losses",
    "intermittent": "units that drop out",
    "voltage_trip": "branch circuits that trip",
    "shaded": "shade",
    "clock_shift": "the readings\u2019 clock",
    "plane_misdescribed": "how the planes face",
    "wrong_plane": "units on another plane",
    "swapped": "units that changed places",
    "curtailed": "a limit on the site\u2019s power",
    "site_low": "the level of the whole site",
    "unit_scale": "the scale of the readings",
}
"""What is open while a cause cannot be judged. Those that any reading judges are not here."""


def open_question(cause: str) -> str:
    """Return what is open while a cause cannot be judged."""
    return OPEN_QUESTIONS.get(cause, CAUSES[cause].one)


def site_sentence(cause: str) -> str:
    """Return the heading of a cause that concerns no single unit of the plan."""
    return SITE_SENTENCES.get(cause, CAUSES[cause].one.capitalize())


def place_sentence(cause: str) -> str:
    """Return where the first look at a cause is taken."""
    return {
        "desk": "No climbing for the first look: record, gateway or readings",
        "board": "First look at the distribution board",
        "roof": "First look on the roof",
    }[CAUSES[cause].place]


def number(value: float, decimals: int = 0) -> str:
    """Return a number with a true minus sign and thousands in groups."""
    text = f"{value:,.{decimals}f}"
    return text.replace("-", MINUS) if float(text.replace(",", "")) != 0 else text.lstrip("-")


def energy(wh: float | None) -> str:
    """Return an energy with its unit to about three figures: 640 Wh, 1.24 kWh, 142 kWh, 31.2 MWh."""
    if wh is None:
        return EN_DASH
    divisor, decimals, unit = _energy_scale(abs(wh))
    return f"{number(wh / divisor, decimals)}{NBSP}{unit}"


def energy_of(part_wh: float, whole_wh: float) -> str:
    """Return one energy beside another in the same unit: 24.9 of 26.3 kWh."""
    divisor, decimals, unit = _energy_scale(max(abs(part_wh), abs(whole_wh)))
    return f"{number(part_wh / divisor, decimals)} of {number(whole_wh / divisor, decimals)}{NBSP}{unit}"


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
    return f"{number(watts)}{NBSP}W" if watts < 1000 else f"{watts / 1000:g}{NBSP}kW"


def rated(name: str, watts: float) -> str:
    """Return a type's name with its rating, which many names hold already: 'module 400 W', 'inverter 1.5 kW'."""
    forms = "|".join(re.escape(form).replace(NBSP, r"\s?") for form in (f"{watts:.0f}{NBSP}W", power(watts)))
    holds = re.search(rf"(?<![\d.,])(?:{forms})p?\b", name, re.IGNORECASE)
    return name if holds else f"{name} {power(watts)}"


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
        return f"under{NBSP}1{NBSP}%"
    return f"{number(whole)}{NBSP}%"


def confidence(share: float) -> str:
    """Return a confidence (0-1) as a word and its number."""
    steps = ((0.95, "almost certain"), (0.85, "very likely"), (0.65, "likely"), (0.0, "possible"))
    return f"{next(word for least, word in steps if share >= least)} ({percent(share)})"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return a number with the noun in the right form."""
    return f"{number(count)}{NBSP}{one if count == 1 else many or one + 's'}"


def cause_count(cause: str, count: int) -> str:
    """Return how many units have a cause: '1 makes nothing', '3 in shade at times'."""
    words = CAUSES[cause]
    return f"{count}{NBSP}{words.one if count == 1 else words.many}"


def position(plane: str, row: int | None, column: int | None) -> str:
    """Return a place on the roof in words."""
    parts = [plane]
    parts += [f"row{NBSP}{row}"] if row is not None else []
    parts += [f"column{NBSP}{column}"] if column is not None else []
    return ", ".join(parts if len(parts) > 1 else [plane, "place not on the record"])


def listed(items: Iterable[str]) -> str:
    """Return items as a sentence lists them: 'a, b and c'."""
    found = list(items)
    return " and ".join([", ".join(found[:-1]), found[-1]]) if len(found) > 1 else "".join(found)


def day(value: date) -> str:
    """Return a date as it is said: Tue 5 May 2026."""
    return f"{value:%a} {value.day} {value:%b %Y}".replace(" ", NBSP)


def short_day(value: date) -> str:
    """Return a date without its year: Tue 5 May."""
    return f"{value:%a} {value.day} {value:%b}".replace(" ", NBSP)


def moment(value: datetime | None, zone: ZoneInfo) -> str:
    """Return a moment on the site's clock: Tue 5 May 2026, 11:40."""
    if value is None:
        return EN_DASH
    local = value.astimezone(zone)
    return f"{day(local.date())}, {local:%H:%M}"


def days(first: date, last: date) -> str:
    """Return a stretch of days, both ends included: '4 to 10 May 2026'."""
    if first == last:
        return day(first)
    head = f"{first.day}"
    if (first.month, first.year) != (last.month, last.year):
        head += f" {first:%b}"
    if first.year != last.year:
        head += f" {first.year}"
    return f"{head} to {last.day} {last:%b %Y}".replace(" ", NBSP)


def span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    """Return the local days from `start` to before `end`."""
    first = start.astimezone(zone).date()
    return days(first, max(first, (end - timedelta(microseconds=1)).astimezone(zone).date()))
