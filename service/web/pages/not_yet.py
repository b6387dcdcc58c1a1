"""What a verification could not judge, as the pages say it: what is open, where, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass

from service.report import words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.report.sentences import say
from service.verify.result import Unseen, Verification

DEAD_UNITS = "no_output"


@dataclass(frozen=True)
class Open:
    """What lacks the same thing at the same place."""

    questions: str
    place: str
    missing: str


def open_lines(found: Verification) -> list[Open]:
    """Return what is not judged yet, a line for each thing that is missing."""
    lines: dict[tuple[str, str], list[str]] = {}
    for entry in found.not_yet:
        lines.setdefault((entry.missing, _place(entry)), []).append(words.open_question(entry.cause))
    return [Open(_sentence(asked), place, say(missing)) for (missing, place), asked in lines.items()]


def waiting_line(found: Verification) -> str:
    """Return in one sentence what waiting may still show of the roof and its branches; empty if nothing more."""
    waiting = [u for u in found.not_yet if u.waiting_helps and words.CAUSES[u.cause].place != "desk"]
    dead = next((entry for entry in waiting if entry.cause == DEAD_UNITS), None)
    if dead is not None:
        return _dead_line(round(dead.needs["minutes"]))
    asked = words.listed(dict.fromkeys(words.open_question(entry.cause) for entry in waiting))
    return _("Not judged yet: %(questions)s.") % {"questions": asked} if asked else ""


def _dead_line(minutes: int) -> str:
    text = ngettext(
        "Units that make nothing show after about %(num)s more minute of light.",
        "Units that make nothing show after about %(num)s more minutes of light.",
        minutes,
    )
    return text % {"num": words.number(minutes)}


def _place(entry: Unseen) -> str:
    count = len(entry.serials)
    planes = words.listed(_("roof plane “%(plane)s”") % {"plane": name} for name in entry.planes)
    if not count:
        return planes
    units = words.counted(count, "unit")
    return _("%(units)s on %(planes)s") % {"units": units, "planes": planes} if planes else units


def _sentence(parts: list[str]) -> str:
    return words.capital(words.listed(parts))
