"""Accepts corrections of a site's record and takes them back, all or nothing; who asks is not this module's business.

Nothing is verified here: whoever calls has the site verified anew.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.correction import (
    FIELD,
    Change,
    Correction,
    SerialCorrection,
    Stored,
    as_sent,
    changes,
    corrected,
    read_correction,
)
from service.intake.problems import Refused
from service.intake.take import NoSuchSite
from service.store import corrections, sites
from service.store.audit import note
from service.store.corrections import Accepted, fingerprint
from service.store.database import writing
from service.store.readings import is_heard
from service.store.tables import Site


class NoSuchCorrection(Exception):  # noqa: N818 - an answer, not a fault
    """No correction of that number was accepted on the site."""


class RecordMoved(Exception):  # noqa: N818 - an answer, not a fault
    """The record is no longer the one that was meant; the message says what to do."""


@dataclass(frozen=True)
class Proposal:
    """A correction that fits the record of which `on` is the fingerprint, and what it would change."""

    correction: dict[str, Any]
    changes: tuple[Change, ...]
    on: str


@dataclass(frozen=True)
class Outcome:
    """The correction as it is held, and whether this call has changed the record."""

    accepted: Accepted
    changed: bool


def proposal(session: Session, site: Site, data: Any) -> Proposal | None:
    """Return what a finding proposes, None if it does not fit the site as it is held."""
    try:
        correction = read_correction(data)
        after = _fitted(session, site, correction)
    except Refused:
        return None
    return Proposal(as_sent(correction), tuple(changes(site.record, after)), fingerprint(site.record))


def accept(
    engine: Engine, site_id: str, correction: Correction, *, by: str, on: str | None = None
) -> Outcome:
    """Correct the site's record; Refused, RecordMoved or NoSuchSite if it stays as it is.

    With `on`, the record must be the one of that fingerprint. Sent again, the correction that made the record as it
    is now counts once: a second click must not swap two units back or move a clock twice.
    """
    with writing(engine) as session:
        site = _held(session, site_id)
        if on != fingerprint(site.record):
            again = _standing(session, site, correction)
            if again is not None:
                return Outcome(again, changed=False)
            if on is not None:
                raise RecordMoved("The record was changed after this correction was shown; look at it anew.")
        after = _fitted(session, site, correction)
        told = [asdict(change) for change in changes(site.record, after)]
        sent = as_sent(correction)
        kept = corrections.keep(session, site, after, correction=sent, changes=told, by=by)
        _note(session, by, "correction.accepted", site, kept)
    return Outcome(kept, changed=True)


def undo(engine: Engine, site_id: str, number: int, *, by: str) -> Outcome:
    """Put the record from before the correction back; RecordMoved if it was changed otherwise since.

    Raises NoSuchSite or NoSuchCorrection. One that was undone already stays so.
    """
    with writing(engine) as session:
        site = _held(session, site_id)
        found = corrections.find(session, site, number)
        if found is None:
            raise NoSuchCorrection
        if found.undone_at is not None:
            return Outcome(found, changed=False)
        if not found.stands:
            raise RecordMoved(
                "The record was changed after this correction, so the one from before it would undo that change too. "
                "Undo later corrections first, or change the record itself."
            )
        taken_back = corrections.take_back(session, site, number, by)
        _note(session, by, "correction.undone", site, taken_back)
        return Outcome(taken_back, changed=True)


def _note(session: Session, who: str, action: str, site: Site, what: Accepted) -> None:
    details = {"site": site.name, "number": what.number, "kind": what.correction["kind"]}
    note(session, who, action, site_id=site.id, **details)


def _held(session: Session, site_id: str) -> Site:
    site = sites.held(session, site_id)
    if site is None:
        raise NoSuchSite
    return site


def _standing(session: Session, site: Site, correction: Correction) -> Accepted | None:
    """Return the correction if it is the one that made the record as it is."""
    sent = as_sent(correction)
    found = corrections.of_site(session, site)
    return next((a for a in found if a.stands and a.correction == sent), None)


def _fitted(session: Session, site: Site, correction: Correction) -> Stored:
    if isinstance(correction, SerialCorrection) and is_heard(session, site.id, correction.recorded):
        raise Refused.one(
            f"{FIELD}.recorded",
            "has been heard, so it is not mistyped; if the unit was replaced, give the old one 'until' and the new "
            "one 'from' on the record",
        )
    return corrected(site.record, correction)
