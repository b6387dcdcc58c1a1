"""The punch list: what was found on a site and has to be seen to, each entry with all that was done about it.

Only a verification closes an entry; which one does so is said by jobs. The caller holds the site's row (`sites.held`),
so that numbers and states are nobody else's, and commits. Each step is noted on the audit list.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any, Literal

from sqlalchemy import ColumnElement, case, func
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select
from sqlmodel.sql.expression import SelectOfScalar

from service.store import audit
from service.store.tables import PunchEntry, PunchStep, Site, User

State = Literal["open", "looked_at", "said_mended", "closed", "left"]
STATES: tuple[State, ...] = ("open", "looked_at", "said_mended", "left", "closed")
LIVE = frozenset({"open", "looked_at", "said_mended"})
"""States in which somebody still has to do something."""

What = Literal[
    "opened", "looked_at", "mended", "left", "note", "given",
    "replaced", "corrected", "not_mended", "closed", "reopened",
]  # fmt: skip


@dataclass(frozen=True)
class New:
    """What an entry is opened with."""

    subject: str
    cause: str
    serials: tuple[str, ...]
    finding: dict[str, Any]
    lost_wh_per_day: float
    record_sha256: str
    plane: str | None = None
    branch: str | None = None
    before: dict[str, Any] | None = None


@dataclass(frozen=True)
class Done:
    """One step: who did what, with a note, a photo, and `nonce`, the hidden word of the form that it came with."""

    what: What
    by: str
    note: str = ""
    photo_id: str | None = None
    nonce: str | None = None
    details: dict[str, Any] = field(default_factory=dict)


def open_entry(session: Session, site_id: str, new: New, by: str) -> PunchEntry:
    """Return the subject's entry that is not closed, or a new one."""
    standing = unclosed(session, site_id, new.subject)
    if standing is not None:
        return standing
    row = PunchEntry(
        site_id=site_id,
        number=_last(session, PunchEntry.number, PunchEntry.site_id, site_id) + 1,
        subject=new.subject,
        cause=new.cause,
        serials=list(new.serials),
        plane=new.plane,
        branch=new.branch,
        finding=new.finding,
        lost_wh_per_day=new.lost_wh_per_day,
        record_sha256=new.record_sha256,
        opened_at=datetime.now(UTC),
        opened_by=by,
        state="open",
        before=new.before,
    )
    session.add(row)
    session.flush()
    add_step(session, row, Done("opened", by))
    return row


def unclosed(session: Session, site_id: str, subject: str) -> PunchEntry | None:
    """Return the subject's entry that no reading has closed, None without one."""
    query = _of_site(site_id).where(col(PunchEntry.subject) == subject, col(PunchEntry.state) != "closed")
    return session.exec(query.order_by(col(PunchEntry.number).desc())).first()


def last_of(session: Session, site_id: str, subject: str) -> PunchEntry | None:
    """Return the subject's newest entry, closed or not."""
    query = _of_site(site_id).where(col(PunchEntry.subject) == subject)
    return session.exec(query.order_by(col(PunchEntry.number).desc())).first()


def find(session: Session, site_id: str, number: int) -> PunchEntry | None:
    """Return the site's entry of that number, None if there is none."""
    return session.get(PunchEntry, (site_id, number))


def of_site(session: Session, site_id: str) -> list[PunchEntry]:
    """Return all entries of a site by their numbers."""
    return list(session.exec(_of_site(site_id).order_by(col(PunchEntry.number))))


def steps(session: Session, site_id: str) -> list[PunchStep]:
    """Return everything that was done on a site, the oldest first."""
    query = select(PunchStep).where(col(PunchStep.site_id) == site_id)
    return list(session.exec(query.order_by(col(PunchStep.step))))


def unproven(
    session: Session, *, record_causes: Iterable[str], site_id: str | None = None
) -> list[PunchEntry]:
    """Return the entries of which newer readings may say something, on a site or on all.

    That are those said to be mended, those closed, of which a fault may come back, and what another record may mend.
    """
    own = select(PunchEntry).join(Site, col(Site.id) == col(PunchEntry.site_id))
    by_record = col(PunchEntry.cause).in_(list(record_causes)) & col(PunchEntry.state).in_(
        ("open", "looked_at")
    )
    query = own.where(
        col(PunchEntry.proved_version) < col(Site.data_version),
        col(PunchEntry.state).in_(("said_mended", "closed")) | by_record,
    )
    if site_id is not None:
        query = query.where(col(PunchEntry.site_id) == site_id)
    return list(session.exec(query.order_by(col(PunchEntry.site_id), col(PunchEntry.number))))


def is_done(session: Session, site_id: str, nonce: str) -> bool:
    """Return whether the form with that hidden word has been taken already."""
    query = select(PunchStep.step).where(col(PunchStep.site_id) == site_id, col(PunchStep.nonce) == nonce)
    return session.exec(query).first() is not None


def add_step(session: Session, entry: PunchEntry, done: Done) -> PunchStep:
    """Keep a step of an entry, whose state stays as the caller sets it."""
    return _add(session, entry.site_id, entry.number, entry.serials, done)


def add_note(session: Session, site_id: str, serials: Sequence[str], done: Done) -> PunchStep:
    """Keep a step on units that have no entry."""
    return _add(session, site_id, None, serials, done)


def mark(session: Session, entry: PunchEntry, done: Done, *, at: datetime | None = None) -> PunchStep:
    """Take what somebody says of an entry; `at` is when it was mended, now if not given.

    Looking at what is said to be mended, or is closed, changes no state: it is one more word in its history.
    """
    if done.what in ("mended", "replaced") and entry.state != "closed":
        entry.state, entry.mended_at, entry.proof, entry.reason = (
            "said_mended",
            at or datetime.now(UTC),
            None,
            "",
        )
    elif done.what == "left" and entry.state != "closed":
        entry.state, entry.reason = "left", done.note
    elif done.what == "looked_at" and entry.state in ("open", "left"):
        entry.state = "looked_at"
    return _kept(session, entry, done)


def prove(session: Session, entry: PunchEntry, proof: dict[str, Any], done: Done | None = None) -> None:
    """Keep what the readings say; with `done` they decide: closed, or not mended and so open again."""
    entry.proof = proof
    session.add(entry)
    session.flush()
    if done is None:
        return
    if done.what == "closed":
        entry.state, entry.closed_at = "closed", datetime.now(UTC)
    elif done.what == "not_mended":
        entry.state = "open"
    _kept(session, entry, done)


def reopen(session: Session, entry: PunchEntry, done: Done) -> None:
    """Open an entry again, since its fault came back."""
    entry.state, entry.mended_at, entry.before = "open", None, None
    entry.reopened += 1
    _kept(session, entry, done)


def give(session: Session, entry: PunchEntry, to: User | None, due_on: date | None, by: str) -> None:
    """Say who sees to an entry and until when."""
    if (entry.given_to, entry.due_on) == (to.id if to else None, due_on):
        return
    entry.given_to, entry.due_on = (to.id if to else None), due_on
    told = {"to": to.name if to else None, "due_on": due_on.isoformat() if due_on else None}
    _kept(session, entry, Done("given", by, details=told))


# Over all sites


@dataclass(frozen=True)
class Line:
    """An entry with the names that a list over all sites shows."""

    entry: PunchEntry
    site_name: str
    timezone: str
    given_to: str | None


@dataclass(frozen=True)
class Page:
    """Some lines, and how many there are in all."""

    lines: list[Line]
    total: int


def page(
    session: Session,
    *,
    states: Iterable[str],
    given_to: int | None = None,
    seen: ColumnElement[bool],
    offset: int = 0,
    limit: int = 50,
) -> Page:
    """Return entries in those states, what is due soonest first, then the largest loss.

    `seen` is the condition on `Site` that leaves what the reader may see; `given_to` keeps to one account's.
    """
    wanted: list[ColumnElement[bool]] = [col(PunchEntry.state).in_(list(states)), seen]
    if given_to is not None:
        wanted.append(col(PunchEntry.given_to) == given_to)
    of_its_site = col(Site.id) == col(PunchEntry.site_id)
    counted = select_columns(func.count()).select_from(PunchEntry).join(Site, of_its_site).where(*wanted)
    total = session.execute(counted).scalar_one()
    rows = session.execute(
        select_columns(PunchEntry, col(Site.name), col(Site.record)["timezone"].as_string(), col(User.name))
        .join(Site, of_its_site)
        .outerjoin(User, col(User.id) == col(PunchEntry.given_to))
        .where(*wanted)
        .order_by(*_soonest_first())
        .offset(offset)
        .limit(limit)
    )
    return Page([Line(*row) for row in rows], total)


def _soonest_first() -> tuple[Any, ...]:
    undated = case((col(PunchEntry.due_on).is_(None), 1), else_=0)
    order = (undated, col(PunchEntry.due_on), col(PunchEntry.lost_wh_per_day).desc())
    return (*order, col(Site.name), col(PunchEntry.site_id), col(PunchEntry.number))


def _of_site(site_id: str) -> SelectOfScalar[PunchEntry]:
    return select(PunchEntry).where(col(PunchEntry.site_id) == site_id)


def _kept(session: Session, entry: PunchEntry, done: Done) -> PunchStep:
    session.add(entry)
    session.flush()
    return add_step(session, entry, done)


def _add(session: Session, site_id: str, number: int | None, serials: Sequence[str], done: Done) -> PunchStep:
    step = PunchStep(
        site_id=site_id,
        step=_last(session, PunchStep.step, PunchStep.site_id, site_id) + 1,
        number=number,
        serials=list(serials),
        at=datetime.now(UTC),
        who=done.by,
        what=done.what,
        note=done.note,
        photo_id=done.photo_id,
        details=done.details,
        nonce=done.nonce,
    )
    session.add(step)
    session.flush()
    audit.note(session, done.by, f"punch.{done.what}", site_id=site_id, entry=number, serials=list(serials))
    return step


def _last(session: Session, number: Any, site: Any, site_id: str) -> int:
    return session.execute(select_columns(func.max(number)).where(site == site_id)).scalar_one() or 0
