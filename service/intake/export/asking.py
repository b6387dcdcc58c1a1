"""Questions in plain words, and answers with a choice for each of several names. What is open is not known here."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from service.intake.export.model import Known, Part, Question
from service.intake.problems import mark, told

NO_UNIT = "-"
"""The choice for a name that is no unit of the record, such as a sum: it is left out."""

_PAIR = re.compile(r"\s*(.+?)\s*[:=]\s*([^,;:=]+?)\s*(?:[,;]|$)")

_TEXTS = {
    "timezone": mark("In which time zone are the times?"),
    "day_first": mark("What comes first in a date?"),
    "label": mark("Does a time stand at the start or at the end of its interval?"),
    "quantity": mark("What are the values?"),
    "interval_min": mark("How many minutes does a value cover?"),
    "decimal": mark("Which sign stands before the fractions of a number?"),
    "dash": mark("What does a dash say by day?"),
    "units": mark("Which unit is meant by each name in the file?"),
    "encoding": mark("In which encoding are the letters written?"),
    "delimiter": mark("What stands between the cells?"),
    "header_row": mark("In which row do the headings end?"),
}

_CHOICES = {
    ("day_first", "true"): mark("the day: 05/06/2026 is 5 June"),
    ("day_first", "false"): mark("the month: 05/06/2026 is 6 May"),
    ("day_first", "year_first"): mark("the year: 05/06/07 is 7 June 2005"),
    ("label", "start"): mark("the start: value made after it"),
    ("label", "middle"): mark("the middle: value made around it"),
    ("label", "end"): mark("the end: value made before it"),
    ("quantity", "power_w"): mark("power in W"),
    ("quantity", "power_kw"): mark("power in kW"),
    ("quantity", "energy_wh"): mark("energy of each interval in Wh"),
    ("quantity", "energy_kwh"): mark("energy of each interval in kWh"),
    ("quantity", "counter_wh"): mark("a counter that runs on, in Wh"),
    ("quantity", "counter_kwh"): mark("a counter that runs on, in kWh"),
    ("decimal", "point"): mark("the point: 1.5 is one and a half"),
    ("decimal", "comma"): mark("the comma: 1,5 is one and a half"),
    ("dash", "missing"): mark("that there is no value"),
    ("dash", "zero"): mark("that nothing was made"),
    ("delimiter", "tab"): mark("tabs"),
    ("delimiter", "semicolon"): mark("semicolons"),
    ("delimiter", "comma"): mark("commas"),
    ("delimiter", "stroke"): mark("upright strokes"),
    ("delimiter", "columns"): mark("blanks: the columns stand one below the other"),
    ("header_row", "0"): mark("there are none"),
    ("units", NO_UNIT): mark("none of them: leave it out"),
}
_NUMBERED = {"interval_min": mark("{number} minutes"), "header_row": mark("row {number}")}


def asked(
    key: str,
    choices: Sequence[str],
    why: str,
    proposed: str | None = None,
    known: Known | None = None,
    parts: tuple[Part, ...] = (),
) -> Question:
    """Return the question in plain words."""
    labels = tuple(_label(key, choice, known) for choice in choices)
    return Question(key, tuple(choices), why, proposed, told(_TEXTS[key]), labels, parts)


def _label(key: str, choice: str, known: Known | None) -> str:
    if (key, choice) in _CHOICES:
        return told(_CHOICES[key, choice])
    if key in _NUMBERED:
        return told(_NUMBERED[key], number=choice)
    if key == "timezone" and known and choice == known.zone:
        return told("{zone}, the site's zone", zone=choice)
    if key == "timezone" and choice[:1] in "+-":
        return told("{offset} all the year, without summer time", offset=choice)
    if key == "units" and known:
        return _placed(choice, known)
    return choice


def in_words(key: str, choices: Sequence[str]) -> str:
    """Return choices of a question in plain words, the last after an "or"; there is at least one."""
    first, *rest = choices
    one = _label(key, first, None)
    return told("{one} or {other}", one=one, other=in_words(key, rest)) if rest else one


def _placed(serial: str, known: Known) -> str:
    place = known.places.get(serial)
    if place is None:
        return serial
    if place.row is None or place.column is None:
        return told("{serial} on {plane}", serial=serial, plane=place.plane)
    at = {"serial": serial, "plane": place.plane, "row": place.row, "column": place.column}
    return told("{serial} on {plane}, row {row}, column {column}", **at)


# Answers by name


def joined(chosen: Mapping[str, str]) -> str:
    """Return the answer that holds a choice for each name, such as `Unit 1:482913377001,Sum:-`."""
    return ",".join(f"{_plain(name)}:{choice}" for name, choice in chosen.items())


def parted(answer: str) -> dict[str, str]:
    """Return the choices of such an answer by plain name; ValueError where it is none."""
    found, at = dict[str, str](), 0
    while at < len(answer.rstrip(" ,;")):
        pair = _PAIR.match(answer, at)
        if pair is None:
            raise ValueError(answer[at:])
        found[_plain(pair[1])] = pair[2]
        at = pair.end()
    return found


def _plain(name: str) -> str:
    return " ".join(name.split())
