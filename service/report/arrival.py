"""What is the matter with the readings as they came in, in sentences: what was seen, how much it touches, what the
judgement does with it. What there is to say is `quality`'s business.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from service.quality.model import Finding, Quality
from service.report import words
from service.report.language import gettext as _
from service.report.language import marked, ngettext
from service.report.sentences import quantity
from service.verify.result import Verification
from service.verify.sentence import Quantity

SOURCES = {
    "token": marked("the token %(name)s"),
    "file": marked("the file %(name)s"),
    "feed": marked("the feed %(name)s"),
}
"""By the first word of a source's name; others are said as they are called."""

NAMED = 3
"""Serials named in a sentence; of more their number is said."""

AS_SENT = marked("The values are used as they are.")
NOT_HEARD = marked("The values are kept out, and their intervals count as not heard.")
LEFT_OUT = marked("Measured and expected energy are summed over what was heard, so that no ratio is bent.")

TITLES = {
    "two_sources": marked("Two sources contradict each other"),
    "stale": marked("Values that stand still"),
    "stale_site": marked("All units stand still at once"),
    "repeated_unit": marked("Units with the same readings"),
    "repeated_day": marked("Days that came twice"),
    "spike": marked("Single values far too high"),
    "catch_up": marked("Energy of a gap in one value"),
    "clock_step": marked("The clock changes within the window"),
    "gap_site": marked("Nothing came from any unit"),
    "gap_units": marked("Units that were not heard at times"),
    "negative_night": marked("Negative values by night"),
    "negative_day": marked("Negative values by day"),
    "too_high": marked("Values that no inverter gives"),
    "out_of_range": marked("Voltages and other values that cannot be"),
    "counter": marked("Counters that began anew or leapt"),
    "night_output": marked("Output while it is dark"),
}

TREATMENTS = {
    "two_sources": marked("Of each value the one that came last counts."),
    "stale": AS_SENT,
    "stale_site": AS_SENT,
    "repeated_unit": marked(
        "The values are used as they are: of two such units one may not have been heard at all."
    ),
    "repeated_day": AS_SENT,
    "spike": marked("The values are used as they are, since an inverter may just give them."),
    "catch_up": marked("The values are used as they are: the energy is right, its time is not."),
    "clock_step": marked("The judgement looks for the right time by the sun and says what it finds."),
    "gap_site": LEFT_OUT,
    "gap_units": LEFT_OUT,
    "negative_night": marked("The values are kept out; by night nothing is missed by that."),
    "negative_day": NOT_HEARD,
    "too_high": NOT_HEARD,
    "out_of_range": marked("The values are kept out and are no evidence for or against anything."),
    "counter": marked(
        "What one that began anew showed then is taken as made since; what could not be laid to its hours is left out."
    ),
    "night_output": marked("Only intervals with the sun up are judged, so these values do not enter."),
}

SAID_ELSEWHERE = {"clock_step": "clock_shift", "gap_site": "data_gap", "gap_units": "data_gap"}
"""What the judgement says by a finding of its own, if it found it."""


BY_NIGHT = frozenset({"negative_night", "night_output"})
UNHEARD = frozenset({"gap_site", "gap_units", "negative_day", "too_high"})
"""Kinds of which the energy is only known by the neighbours."""


@dataclass(frozen=True)
class Told:
    """A finding in words."""

    title: str
    what: str
    touches: str
    treatment: str


def told(finding: Finding, zone: ZoneInfo) -> Told:
    """Return the finding in the reader's language."""
    return Told(
        title=_(TITLES[finding.kind]),
        what=SENTENCES[finding.kind](finding, zone),
        touches=_touches(finding, zone),
        treatment=_(TREATMENTS[finding.kind]),
    )


def complete(quality: Quality) -> str:
    """Return how much of what was due in light came in."""
    text = _("%(share)s of the values that were due in light came in.")
    return text % {"share": words.percent(quality.heard_share)}


def unsaid(quality: Quality, found: Verification) -> list[Finding]:
    """Return the findings that the judgement does not tell of itself."""
    judged = {one.cause for one in found.findings}
    return [one for one in quality.findings if SAID_ELSEWHERE.get(one.kind) not in judged]


def source(name: str) -> str:
    """Return who sent something: a token, a file, or what else it is called."""
    kind, _space, rest = name.partition(" ")
    if kind not in SOURCES or not rest:
        return name
    return _(SOURCES[kind]) % {"name": rest}


def _touches(finding: Finding, zone: ZoneInfo) -> str:
    if finding.kind in BY_NIGHT:
        days = words.span(finding.first, finding.last, zone)
        return _("%(values)s of %(days)s.") % {"values": _values(finding), "days": days}
    text = (
        _("%(values)s of %(days)s, %(share)s of those due in light; with about %(energy)s of the energy.")
        if finding.kind in UNHEARD
        else _("%(values)s of %(days)s, %(share)s of those due in light, with %(energy)s of the energy.")
    )
    return text % {
        "values": _values(finding),
        "days": words.span(finding.first, finding.last, zone),
        "share": words.percent(finding.share),
        "energy": words.percent(finding.energy_share),
    }


def _values(finding: Finding) -> str:
    text = ngettext("%(num)s value", "%(num)s values", finding.values)
    return (text % {"num": words.number(finding.values)}).replace(" ", words.NBSP)


def _units(finding: Finding) -> str:
    if len(finding.serials) > NAMED:
        return words.counted(len(finding.serials), "unit")
    return words.listed(finding.serials)


def _time(minutes: float) -> str:
    return quantity(Quantity("duration", minutes))


def _two_sources(finding: Finding, _zone: ZoneInfo) -> str:
    text = _(
        "%(one)s and %(other)s sent %(both)s values for the same times and differ in %(num)s of them, "
        "the latter by %(energy)s in all."
    )
    said = text % {
        "one": source(finding.names["one"]),
        "other": source(finding.names["other"]),
        "both": words.number(finding.numbers["both"]),
        "num": words.number(finding.values),
        "energy": words.energy(finding.numbers["difference_wh"]),
    }
    return words.capital(said)


def _stale(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("%(units)s: the same value for up to %(time)s, while the light changed.")
    return text % {"units": _units(finding), "time": _time(finding.numbers["minutes"])}


def _stale_site(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("Nearly all units repeat their last value for up to %(time)s, while the sun went on.")
    return text % {"time": _time(finding.numbers["minutes"])}


def _repeated_unit(finding: Finding, _zone: ZoneInfo) -> str:
    text = ngettext(
        "%(units)s: the readings of another unit, value by value, on %(num)s day, more often than chance allows.",
        "%(units)s: the readings of another unit, value by value, on %(num)s days, more often than chance allows.",
        int(finding.numbers["days"]),
    )
    return text % {"units": _units(finding), "num": words.number(finding.numbers["days"])}


def _repeated_day(finding: Finding, _zone: ZoneInfo) -> str:
    text = ngettext(
        "%(units)s: the readings of %(num)s day are those of an earlier one, value by value.",
        "%(units)s: the readings of %(num)s days are those of earlier ones, value by value.",
        int(finding.numbers["days"]),
    )
    return text % {"units": _units(finding), "num": words.number(finding.numbers["days"])}


def _spike(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("%(units)s: far above the values before and after, up to %(share)s of what the inverter gives.")
    return text % {"units": _units(finding), "share": words.percent(finding.numbers["of_rating"])}


def _catch_up(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("%(units)s: after intervals without output one value holds about what these should have made.")
    return text % {"units": _units(finding)}


def _clock_step(finding: Finding, zone: ZoneInfo) -> str:
    minutes = finding.numbers["minutes"]
    text = (
        _("From %(day)s on, the light of all units comes %(time)s later than on the days before.")
        if minutes > 0
        else _("From %(day)s on, the light of all units comes %(time)s earlier than on the days before.")
    )
    return text % {"day": words.day(finding.first.astimezone(zone).date()), "time": _time(abs(minutes))}


def _gap_site(finding: Finding, zone: ZoneInfo) -> str:
    numbers = finding.numbers
    text = ngettext(
        "%(share)s of the hours of light are missing, in %(num)s gap of %(time)s.",
        "%(share)s of the hours of light are missing, in %(num)s gaps of up to %(time)s.",
        int(numbers["gaps"]),
    )
    said = text % {
        "share": words.percent(numbers["of_light"]),
        "num": words.number(numbers["gaps"]),
        "time": _time(numbers["longest_min"]),
    }
    if "daily_minute" not in numbers:
        return said
    midnight = finding.first.replace(hour=0, minute=0, second=0, microsecond=0)
    at = (midnight + timedelta(minutes=numbers["daily_minute"])).astimezone(zone)
    daily = _("On most days it is so at %(clock)s.") % {"clock": words.clock(at.time())}
    return f"{said} {daily}"


def _gap_units(finding: Finding, _zone: ZoneInfo) -> str:
    text = _(
        "%(units)s: more is missing than is usual over radio or power line, most of %(worst)s: %(share)s."
    )
    share = words.percent(finding.numbers["worst_share"])
    return text % {"units": _units(finding), "worst": finding.names["worst"], "share": share}


def _negative_night(finding: Finding, _zone: ZoneInfo) -> str:
    return _("%(units)s: as from a meter that counts what a unit draws.") % {"units": _units(finding)}


def _negative_day(finding: Finding, _zone: ZoneInfo) -> str:
    return _("%(units)s: as from a counter that ran back or began anew.") % {"units": _units(finding)}


def _too_high(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("%(units)s: as from a counter that leapt, or from another unit of measure.")
    return text % {"units": _units(finding)}


def _out_of_range(finding: Finding, _zone: ZoneInfo) -> str:
    return _("%(units)s: outside of what such a value can be.") % {"units": _units(finding)}


def _counter(finding: Finding, _zone: ZoneInfo) -> str:
    text = ngettext(
        "%(units)s: once a counter began anew, leapt or showed what cannot be, as was seen where it was read.",
        "%(units)s: %(num)d times a counter began anew, leapt or showed what cannot be, as was seen where it was read.",
        finding.values,
    )
    return text % {"units": _units(finding), "num": finding.values}


def _night_output(finding: Finding, _zone: ZoneInfo) -> str:
    text = _("%(units)s: above zero long after the others have ended and before they begin.")
    return text % {"units": _units(finding)}


SENTENCES: dict[str, Callable[[Finding, ZoneInfo], str]] = {
    "two_sources": _two_sources,
    "stale": _stale,
    "stale_site": _stale_site,
    "repeated_unit": _repeated_unit,
    "repeated_day": _repeated_day,
    "spike": _spike,
    "catch_up": _catch_up,
    "clock_step": _clock_step,
    "gap_site": _gap_site,
    "gap_units": _gap_units,
    "negative_night": _negative_night,
    "negative_day": _negative_day,
    "too_high": _too_high,
    "out_of_range": _out_of_range,
    "counter": _counter,
    "night_output": _night_output,
}
