"""From findings to entries of the punch list, and what people say of them on the roof.

An entry is opened by somebody: by a click of the office, or by a mark on the roof. Findings alone open none: many go by
themselves (a gap, a cloud taken for shade), and a list that fills itself is soon not read. What an entry is about is
its subject, not its cause: a dead unit that comes back low is still the same job. Whether something is mended is for
`jobs.proving`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.photo import PhotoIn
from service.intake.problems import FieldError, Refused
from service.intake.take import NoSuchSite
from service.jobs.codec import parts_of, sentence_of
from service.store import photos, punch, sites
from service.store.corrections import fingerprint
from service.store.database import writing
from service.store.punch import Done, New
from service.store.tables import PunchEntry, Site
from service.store.tokens import digest
from service.verify.result import Finding, Verification

Said = Literal["looked_at", "mended", "left"]
SAID: tuple[Said, ...] = ("looked_at", "mended", "left")

LONGEST_NOTE = 2000
OF_A_BRANCH = frozenset({"branch_out", "voltage_trip"})
SHORTEST_WINDOW_DAYS = 1.0
"""A window of a few hours of sun counts as a day."""


@dataclass(frozen=True)
class Mark:
    """What somebody says of a subject; `nonce` is the hidden word of the form that it came with."""

    subject: str
    said: str
    note: str = ""
    photo: PhotoIn | None = None
    nonce: str | None = None


def subject_of(finding: Finding) -> str:
    """Return what a finding is about, the same as long as it concerns the same part of the roof."""
    if len(finding.serials) == 1:
        return unit_subject(finding.serials[0])
    if finding.branch and finding.cause in OF_A_BRANCH:
        return f"branch:{finding.branch}"
    if finding.plane:
        return f"plane:{finding.plane}"
    if finding.serials:
        return f"units:{digest(' '.join(sorted(finding.serials)))[:32]}"
    return f"site:{finding.cause}"


def unit_subject(serial: str) -> str:
    """Return the subject of what concerns one unit."""
    return f"unit:{serial}"


def findings_by_subject(found: Verification | None) -> dict[str, Finding]:
    """Return the faults by their subjects, each one's main finding."""
    faults: dict[str, Finding] = {}
    for finding in found.findings if found else ():
        if finding.is_fault:
            faults.setdefault(subject_of(finding), finding)
    return faults


def put_on_list(
    engine: Engine, site_id: str, found: Verification | None, *, by: str, subject: str | None = None
) -> int:
    """Open an entry for each fault, or for the subject's only, that has none; return how many were opened.

    A fault whose entry is closed gets no new one: if it is back, its entry is opened again by the proof.
    """
    faults = findings_by_subject(found)
    wanted = [f for key, f in faults.items() if subject in (None, key)]
    opened = 0
    with writing(engine) as session:
        site = _held(session, site_id)
        for finding in wanted if found else ():
            if found and punch.last_of(session, site_id, subject_of(finding)) is None:
                punch.open_entry(session, site_id, new_entry(finding, found, site), by)
                opened += 1
    return opened


def mark(
    engine: Engine, site_id: str, found: Verification | None, given: Mark, *, by: str
) -> PunchEntry | None:
    """Take what somebody says of a subject; return its entry, None where it is kept as a note on the units.

    A finding without an entry gets one by this. Refused names what is missing; a form sent twice counts once.
    """
    said = _checked(given)
    with writing(engine) as session:
        site = _held(session, site_id)
        entry = punch.last_of(session, site_id, given.subject)
        if given.nonce and punch.is_done(session, site_id, given.nonce):
            return entry
        finding = findings_by_subject(found).get(given.subject)
        if entry is None and finding is not None and found is not None:
            entry = punch.open_entry(session, site_id, new_entry(finding, found, site), by)
        serials = _serials_of(given.subject, site) if entry is None else ()
        done = Done(said, by, given.note, _kept(session, site_id, given.photo, by), given.nonce)
        if entry is None:
            punch.add_note(session, site_id, serials, done)
        else:
            punch.mark(session, entry, done)
    return entry


def new_entry(finding: Finding, found: Verification, site: Site) -> New:
    """Return what an entry for the finding is opened with."""
    serials = finding.serials or _on_branch(finding, found)
    days = max((found.end - found.start).total_seconds() / 86400, SHORTEST_WINDOW_DAYS)
    return New(
        subject=subject_of(finding),
        cause=finding.cause,
        serials=tuple(serials),
        finding=_as_kept(finding),
        lost_wh_per_day=round((finding.lost_wh or 0.0) / days, 1),
        record_sha256=fingerprint(site.record),
        plane=finding.plane,
        branch=finding.branch,
        before=indices(found, serials),
    )


def indices(found: Verification, serials: Iterable[str]) -> dict[str, Any]:
    """Return the units' performance indices with bands in a verification, and its window, as an entry keeps them."""
    wanted = set(serials)
    units = [
        {
            "serial": u.serial,
            "index": u.performance_index,
            "low": u.performance_index_low,
            "high": u.performance_index_high,
        }
        for u in found.units
        if u.serial in wanted
    ]
    return {"start": found.start.isoformat(), "end": found.end.isoformat(), "units": units}


def _checked(given: Mark) -> Said:
    errors = []
    said = next((known for known in SAID if known == given.said), None)
    if said is None:
        errors.append(FieldError("mark", f"must be one of {', '.join(SAID)}"))
    if given.said == "left" and not given.note:
        errors.append(FieldError("note", "is required here: say why it is left"))
    errors += _note_errors(given.note)
    if errors or said is None:
        raise Refused(errors)
    return said


def checked_note(note: str) -> str:
    """Return a note without blanks around it; Refused if it is too long."""
    errors = _note_errors(note.strip())
    if errors:
        raise Refused(errors)
    return note.strip()


def _note_errors(note: str) -> list[FieldError]:
    too_long = FieldError("note", f"must have at most {LONGEST_NOTE} characters; shorten it")
    return [too_long] if len(note) > LONGEST_NOTE else []


def _held(session: Session, site_id: str) -> Site:
    site = sites.held(session, site_id)
    if site is None:
        raise NoSuchSite
    return site


def _serials_of(subject: str, site: Site) -> tuple[str, ...]:
    kind, _, serial = subject.partition(":")
    if kind == "unit" and any(unit["serial"] == serial for unit in site.record["units"]):
        return (serial,)
    raise Refused.one("subject", "is neither on the list nor on the record by now; look at the page anew")


def _kept(session: Session, site_id: str, photo: PhotoIn | None, by: str) -> str | None:
    if photo is None:
        return None
    return photos.keep(session, site_id, photo.jpeg, width=photo.width, height=photo.height, by=by)


def _on_branch(finding: Finding, found: Verification) -> tuple[str, ...]:
    if not finding.branch:
        return ()
    return tuple(u.serial for u in found.units if u.branch == finding.branch)


def _as_kept(finding: Finding) -> dict[str, Any]:
    return {
        "cause": finding.cause,
        "evidence": str(finding.evidence),
        "evidence_parts": parts_of(finding.evidence),
        "advice": str(finding.advice),
        "advice_parts": parts_of(finding.advice),
        "confidence": finding.confidence,
        "first_seen": _iso(finding.first_seen),
        "last_seen": _iso(finding.last_seen),
        "lost_wh": finding.lost_wh,
        "annual_loss_kwh": finding.annual_loss_kwh,
    }


def kept_sentence(entry: PunchEntry, name: str) -> str:
    """Return the `evidence` or `advice` of the finding that an entry was opened with, as a sentence to be said."""
    kept = entry.finding
    return sentence_of(str(kept.get(name, "")), kept.get(f"{name}_parts"))


def _iso(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None
