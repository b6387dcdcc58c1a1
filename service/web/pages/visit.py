"""The return visit as pages show it: what was done about a unit or a finding, and the form that takes the next word.

`marks_of` gives, for one page, all that `shared/mark.html` needs. Nothing is changed here.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Request

from service.expect.site import Site
from service.jobs.assemble import NO_NAME_HAS
from service.jobs.proving import BY, lowest_change
from service.jobs.punch_list import findings_by_subject, subject_of, unit_subject
from service.report import words
from service.report.language import gettext as _
from service.report.language import marked, ngettext
from service.store import punch
from service.store.database import reading
from service.store.tables import PunchEntry, PunchStep
from service.store.tokens import new_id
from service.verify.mended import Level
from service.verify.result import Finding, Verification
from service.web.pages.lookup import Shown

STATES: Mapping[str, str] = {
    "open": marked("open"),
    "looked_at": marked("looked at"),
    "said_mended": marked("said to be mended"),
    "left": marked("left"),
    "closed": marked("closed by proof"),
}
STEPS: Mapping[str, str] = {
    "opened": marked("put on the punch list"),
    "looked_at": marked("looked at"),
    "mended": marked("marked mended"),
    "left": marked("left, because:"),
    "note": marked("noted"),
    "given": marked("given to somebody"),
    "replaced": marked("unit replaced"),
    "corrected": marked("record corrected"),
    "not_mended": marked("not mended, as the readings show"),
    "closed": marked("closed by proof"),
    "reopened": marked("opened again, for the fault is back"),
}
WAITS: Mapping[str, str] = {
    "light": marked("The proof waits for readings in daylight."),
    "unheard": marked("The proof waits until it is heard."),
    "ended": marked("The fault was seen for a while after that; the proof waits for readings without it."),
    "low": marked("No fault is found since, but it still makes a little less than its neighbours."),
    "no_change": marked("The proof waits until the change stands out of the noise."),
    "unseen": marked("The readings cannot show it yet."),
}
"""Why there is no proof yet, where no number of hours or days says it."""


@dataclass(frozen=True)
class StepView:
    """One step as it is read."""

    what: str
    when: str
    who: str
    note: str
    told: str
    photo: str | None


@dataclass(frozen=True)
class MarkView:
    """A unit or finding with what was done about it; `nonce` makes a form that is sent twice count once.

    `settled` says that it is mended by word or by proof: a page names its fault no longer as one that stands.
    """

    subject: str
    title: str
    state: str
    word: str
    sentence: str
    number: int | None
    steps: tuple[StepView, ...]
    nonce: str = field(default_factory=new_id)

    @property
    def settled(self) -> bool:
        """Return whether it is said or proven to be mended."""
        return self.state in ("said_mended", "closed")

    @property
    def headline(self) -> str:
        """Return what heads the page of a unit that is settled, whatever the window still shows of its fault."""
        return _("Mended, as the readings since show") if self.state == "closed" else _("Said to be mended")


class Marks:
    """All that was done on a site, asked by unit, finding or subject."""

    def __init__(self, site: Shown, entries: Sequence[PunchEntry], steps: Sequence[PunchStep]) -> None:
        self._entries = {entry.subject: entry for entry in entries}  # the newest of a subject counts
        self._steps, self._site = steps, site

    @property
    def live_count(self) -> int:
        """Return how many entries somebody still has to do something about."""
        return sum(entry.state in punch.LIVE for entry in self._entries.values())

    def settled_note(self, found: Verification | None) -> str:
        """Return how many of the faults that a window still shows are said or proven to be mended."""
        faults = findings_by_subject(found)
        count = sum(self.subject(subject).settled for subject in faults)
        if not count:
            return ""
        return ngettext(
            "%(num)d of these %(all)d findings is said or proven to be mended; the window reaches back to before.",
            "%(num)d of these %(all)d findings are said or proven to be mended; the window reaches back to before.",
            count,
        ) % {"num": count, "all": len(faults)}

    def unit(self, serial: str) -> MarkView:
        """Return what concerns the unit alone."""
        return self.subject(unit_subject(serial))

    def finding(self, finding: Finding) -> MarkView:
        """Return what concerns the finding's part of the roof."""
        return self.subject(subject_of(finding))

    def others(self, subjects: Collection[str]) -> list[MarkView]:
        """Return what has an entry beside these subjects, the newest last."""
        return [self.subject(subject) for subject in self._entries if subject not in subjects]

    def subject(self, subject: str) -> MarkView:
        """Return what concerns the subject."""
        entry = self._entries.get(subject)
        href, zone = self._site.href, self._site.zone
        steps = tuple(step_view(s, href, zone) for s in self._steps if _belongs(s, subject, entry))
        title = subject_words(subject, self._site.record)
        if entry is None:
            return MarkView(subject, title, "none", "", "", None, steps)
        word, sentence = _(STATES[entry.state]), state_sentence(entry, zone)
        return MarkView(subject, title, entry.state, word, sentence, entry.number, steps)


def marks_of(request: Request, site: Shown) -> Marks:
    """Return what was done on the site, for one page."""
    with reading(request.app.state.engine) as session:
        entries, steps = punch.of_site(session, site.site_id), punch.steps(session, site.site_id)
    return Marks(site, entries, steps)


@dataclass(frozen=True)
class ReplaceForm:
    """The form for a replaced unit: what was typed, and what can be chosen."""

    old: str
    new: str
    day: str
    inverter_type: str
    note: str
    where: str
    types: tuple[str, ...]
    strangers: tuple[str, ...]
    nonce: str = field(default_factory=new_id)


def replace_form_view(site: Shown, typed: Mapping[str, str]) -> ReplaceForm:
    """Return the form; serials that are heard and not on the record may be that of the new unit."""
    findings = site.found.findings if site.found else ()
    strangers = [s for f in findings if f.cause == "not_on_record" for s in f.serials]
    names = ("old", "new", "day", "inverter_type", "note")
    return ReplaceForm(
        **{name: typed.get(name, "") for name in names},
        where=subject_words(unit_subject(typed.get("old", "")), site.record),
        types=tuple(dict.fromkeys(_known_types(site.record))),
        strangers=tuple(strangers),
    )


def _known_types(record: Site) -> list[str]:
    """Return the inverter types of the record, without the shares of one that has several inputs."""
    return [t.name for t in record.inverter_types if NO_NAME_HAS not in t.name]


def subject_words(subject: str, record: Site) -> str:
    """Return what an entry is about, in words."""
    kind, _colon, name = subject.partition(":")
    if kind == "unit":
        unit = next((u for u in record.units if u.serial == name), None)
        return f"{name}, {words.position(unit.plane, unit.row, unit.column)}" if unit else name
    if kind == "branch":
        return _("branch circuit %(name)s") % {"name": name}
    if kind == "plane":
        return _("roof plane %(name)s") % {"name": name}
    return words.site_sentence(name) if kind == "site" else _("several units")


def state_sentence(entry: PunchEntry, zone: ZoneInfo) -> str:
    """Return where an entry stands, in a sentence."""
    if entry.state == "closed":
        return _("Mended, and the readings since show it. %(change)s") % {"change": change_sentence(entry)}
    if entry.state == "left":
        return _("Left, because: %(reason)s") % {"reason": entry.reason}
    if entry.state == "said_mended":
        said = _("Said to be mended on %(when)s.") % {"when": words.moment(entry.mended_at, zone)}
        return f"{said} {waiting_sentence(entry.proof)}"
    if entry.proof and entry.proof.get("outcome") == "not_mended":
        return _("Said to be mended, but the readings since show it is not. %(change)s") % {
            "change": change_sentence(entry)
        }
    if entry.state == "looked_at":
        return _("Looked at, not mended yet.")
    return _("On the punch list, not looked at yet.")


def waiting_sentence(proof: Mapping[str, Any] | None) -> str:
    """Return what is missing for the proof."""
    needs = (proof or {}).get("needs", {})
    if needs.get("days"):
        count = math.ceil(needs["days"])
        return ngettext(
            "The proof needs %(num)d more day with sun.", "The proof needs %(num)d more days with sun.", count
        ) % {"num": count}
    if needs.get("hours"):
        return _hours_sentence(needs["hours"])
    return _(WAITS.get((proof or {}).get("why", ""), WAITS["light"]))


def _hours_sentence(hours: float) -> str:
    if hours < 1:
        return _("The proof needs less than an hour more of light.")
    count = math.ceil(hours)
    return ngettext(
        "The proof needs about %(num)d more hour of light.",
        "The proof needs about %(num)d more hours of light.",
        count,
    ) % {"num": count}


def change_sentence(entry: PunchEntry) -> str:
    """Return the performance index before and after, with bands; of several units the lowest afterwards."""
    change = lowest_change(entry)
    return _("Performance index %(before)s \u2192 %(after)s.") % change_words(*change) if change else ""


def change_words(before: Level | None, after: Level | None) -> dict[str, str]:
    """Return both levels with their bands."""
    return {"before": _banded(before), "after": _banded(after)}


def step_view(step: PunchStep, href: str, zone: ZoneInfo) -> StepView:
    """Return a step as it is read."""
    return StepView(
        what=_(STEPS[step.what]),
        when=words.moment(step.at, zone),
        who=_("the readings") if step.who == BY else step.who,
        note=step.note,
        told=_told(step),
        photo=f"{href}/photos/{step.photo_id}" if step.photo_id else None,
    )


def _told(step: PunchStep) -> str:
    details = step.details
    if step.what == "given":
        to = details.get("to") or _("nobody")
        due = details.get("due_on")
        if due is None:
            return _("to %(name)s") % {"name": to}
        return _("to %(name)s, until %(day)s") % {
            "name": to,
            "day": words.day(datetime.fromisoformat(due).date()),
        }
    if step.what == "replaced":
        return _("%(old)s by %(new)s") % {"old": details.get("old", ""), "new": details.get("new", "")}
    if details.get("after"):
        levels = (Level(**details[at]) if details.get(at) else None for at in ("before", "after"))
        return _("performance index %(before)s \u2192 %(after)s") % change_words(*levels)
    return words.CAUSES[details["cause"]].one if details.get("cause") in words.CAUSES else ""


def _belongs(step: PunchStep, subject: str, entry: PunchEntry | None) -> bool:
    if entry is not None and step.number == entry.number:
        return True
    return step.number is None and subject in [unit_subject(serial) for serial in step.serials]


def _banded(level: Level | None) -> str:
    if level is None or level.index is None:
        return words.EN_DASH
    return _("%(value)s (%(low)s to %(high)s)") % {
        "value": words.ratio(level.index),
        "low": words.ratio(level.low),
        "high": words.ratio(level.high),
    }
