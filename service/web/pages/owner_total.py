"""What a roof made since it was commissioned against what was to be expected, and what shade costs: for its owner.

In plain words. The figures are the verifications'; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from service.expect.site import Site
from service.report import words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.store.site_days import Day
from service.verify.result import Verification
from service.verify.yearly import annual_energy_kwh

IN_FULL = 0.98
"""Share of a day's expected energy that was heard, from which the day counts as recorded in full."""

UNSURE, UNSURE_CLOUDLESS = 0.10, 0.20
"""How far an expectation may be off (two standard uncertainties): a whole site is called low from a tenth on
(`verify/causes/site_low.py`), and a lone unit's level is known to a tenth, singly (`verify/levels.py`, ALONE)."""

CLOUDLESS = "clear_sky"
SILENT_DAYS = 2
"""Readings of yesterday may come in the course of today."""


@dataclass(frozen=True)
class Total:
    """The energy since commissioning: the figure, and the sentences below it."""

    figure: str
    caption: str
    expected: str
    recorded: str
    silent: str


def total(days: Sequence[Day], since: date | None, today: date, *, still_due: int) -> Total | None:
    """Return what `days` come to, None before any; `still_due` more are being worked out."""
    if not days:
        return None
    first, last = since or days[0].day, days[-1].day
    made_wh = sum(day.measured_wh for day in days)
    return Total(
        figure=words.energy(made_wh),
        caption=_("made by your roof since %(day)s") % {"day": words.day(first)},
        expected=_expected(days, made_wh),
        recorded=" ".join(filter(None, (_recorded(days, (last - first).days + 1), _still(still_due)))),
        silent=_silent(last) if (today - last).days > SILENT_DAYS else "",
    )


def _expected(days: Sequence[Day], made_wh: float) -> str:
    due_wh = sum(day.expected_wh for day in days)
    if due_wh <= 0:
        return ""
    cloudless_wh = sum(day.expected_wh for day in days if day.sky == CLOUDLESS)
    unsure = UNSURE_CLOUDLESS if cloudless_wh > due_wh / 2 else UNSURE
    numbers = {
        "share": words.percent(made_wh / due_wh),
        "due": words.energy(due_wh),
        "low": words.energy((1 - unsure) * due_wh),
        "high": words.energy((1 + unsure) * due_wh),
    }
    return (_under_no_cloud if cloudless_wh > due_wh / 2 else _under_their_sky)() % numbers


def _under_their_sky() -> str:
    return _(
        "That is %(share)s of what was to be expected in the weather that your panels saw: about %(due)s, between "
        "%(low)s and %(high)s, since it is worked out and not measured."
    )


def _under_no_cloud() -> str:
    return _(
        "That is %(share)s of what a sky without clouds would have allowed: about %(due)s, between %(low)s and "
        "%(high)s, since it is worked out and not measured."
    )


def _recorded(days: Sequence[Day], count: int) -> str:
    full = sum(day.expected_wh >= IN_FULL * day.possible_wh for day in days)
    numbers = {"num": words.number(count), "full": words.number(full)}
    if full >= count:
        return (
            ngettext("The day was recorded in full.", "All %(num)s days were recorded in full.", count)
            % numbers
        )
    said = ngettext(
        "Of the days since then, %(num)s in all, %(full)s was recorded in full.",
        "Of the days since then, %(num)s in all, %(full)s were recorded in full.",
        full,
    )
    unrecorded = _("Hours that were not recorded count in neither figure.")
    return f"{said % numbers} {unrecorded}"


def _still(due: int) -> str:
    text = ngettext(
        "%(num)s more day is still being worked out.", "%(num)s more days are still being worked out.", due
    )
    return text % {"num": words.number(due)} if due else ""


def _silent(last: date) -> str:
    return _("Nothing has been heard of your roof since %(day)s.") % {"day": words.day(last)}


def shade(found: Verification, site: Site) -> str:
    """Return what shade costs in a year; empty where there is none, or none that can be said."""
    costs = [f.annual_loss_kwh for f in found.findings if f.cause == "shaded" and f.annual_loss_kwh]
    if not costs:
        return ""
    year_kwh = _year_kwh(site)
    numbers = {
        "kwh": words.energy(1000 * sum(costs)),
        "share": words.percent(min(sum(costs) / year_kwh, 1.0)),
    }
    return (
        _(
            "In a usual year shade takes about %(kwh)s, %(share)s of what your roof could make; it may be half or "
            "twice as much. Nothing is broken: a tree can be trimmed, a chimney or a house has to be lived with."
        )
        % numbers
    )


@lru_cache(maxsize=64)
def _year_kwh(site: Site) -> float:
    return annual_energy_kwh(site)
