"""A verification's sentences in the reader's language, with its numbers, dates and the site's clock.

The templates are those of `service/verify`; a text without parts, kept by an earlier release, is said as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from service.report import words
from service.report.language import gettext, ngettext, nmarked
from service.verify.sentence import Kind, Part, Quantity, Sentence, more_time, pairs


def say(text: str) -> str:
    """Return the sentence as the reader reads it."""
    return "".join(_said(part) for part in text.parts) if isinstance(text, Sentence) else text


def _said(part: Part) -> str:
    template = ngettext(part.one, part.many, round(part.count)) if part.many else gettext(part.one)
    return template % {name: quantity(value) for name, value in part.values.items()}


def quantity(value: str | Quantity) -> str:
    """Return a value as the reader reads it; a name stays as it is."""
    return FORMS[value.kind](value) if isinstance(value, Quantity) else value


def _float(q: Quantity) -> float:
    assert not isinstance(q.value, tuple)  # noqa: S101 (only azimuths are several)
    return float(q.value)


def _energy(q: Quantity) -> str:
    wh = _float(q)
    unit = f"{words.NBSP}kWh" if wh >= 1000 else f"{words.NBSP}Wh"
    return (words.number(wh / 1000, 1) if wh >= 1000 else words.number(wh)) + unit


def _share(q: Quantity) -> str:
    pct = 100 * _float(q)
    return f"{words.number(pct, 1 if pct < 10 else 0)}{words.NBSP}%"


def _duration(q: Quantity) -> str:
    minutes = _float(q)
    if minutes < 90:
        return f"{words.number(minutes)}{words.NBSP}min"
    return f"{words.number(minutes / 60, 1)}{words.NBSP}h"


def _number(q: Quantity) -> str:
    value = _float(q)
    return words.short_number(value) if q.form == "g" else words.number(value, int(q.form.strip(".f")))


def _moment(q: Quantity) -> str:
    return words.moment(datetime.fromisoformat(str(q.value)), ZoneInfo(q.form))


def _lateness(q: Quantity) -> str:
    minutes = _float(q)
    text = gettext("%(time)s late") if minutes > 0 else gettext("%(time)s early")
    return text % {"time": f"{words.number(abs(minutes))}{words.NBSP}min"}


def _azimuths(q: Quantity) -> str:
    return words.listed(words.between(words.number(low), words.number(high)) for low, high in pairs(q))


def _more_time(q: Quantity) -> str:
    count, unit = more_time(q)
    forms = {
        "minute": nmarked("about %(num)s more minute", "about %(num)s more minutes"),
        "hour": nmarked("about %(num)s more hour", "about %(num)s more hours"),
    }
    return ngettext(*forms[unit], _whole(count)) % {"num": words.short_number(count)}


def _more_days(q: Quantity) -> str:
    days = _float(q)
    text = ngettext("%(num)s more day with sun", "%(num)s more days with sun", _whole(days))
    return text % {"num": words.short_number(days)}


def _whole(count: float) -> int:
    """Return the number whose form goes with the count: that of several for a broken one."""
    return int(count) if count == int(count) else 2


FORMS: dict[Kind, Callable[[Quantity], str]] = {
    "energy": _energy,
    "share": _share,
    "duration": _duration,
    "number": _number,
    "moment": _moment,
    "month": lambda q: words.month(int(_float(q))),
    "term": lambda q: gettext(str(q.value)),
    "lateness": _lateness,
    "azimuths": _azimuths,
    "more_time": _more_time,
    "more_days": _more_days,
}
