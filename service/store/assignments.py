"""Whose site is whose: the office sees every site, an installer the sites that the office assigned.

Every page and list asks here what a person may see, so that it is decided in one place. What a token opens is
decided at the API's gate, what an owner sees by the owner's link.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, delete, func, select, true
from sqlmodel import Session, col

from service.store.tables import Assignment, Site, User


def may_see(session: Session, user: User, site_id: str) -> bool:
    """Return whether the site is one that the person may see; whether there is such a site is another question."""
    return user.role == "office" or session.get(Assignment, (site_id, user.id)) is not None


def seen_by(user: User, site_id: Any = None) -> ColumnElement[bool]:
    """Return the condition that leaves the sites that the person may see: on `Site`, or on a column of sites' ids."""
    if user.role == "office":
        return true()
    own = select(col(Assignment.site_id)).where(col(Assignment.account_id) == user.id)
    return (col(Site.id) if site_id is None else col(site_id)).in_(own)


def assign(session: Session, site_id: str, user: User) -> bool:
    """Let the person see the site; return False if it was so already. Both must be there."""
    if session.get(Assignment, (site_id, user.id)) is not None:
        return False
    session.add(Assignment(site_id=site_id, account_id=user.key))
    session.flush()
    return True


def take_away(session: Session, site_id: str, user: User) -> bool:
    """Hide the site from the person again; return False if it was hidden already."""
    own = col(Assignment.account_id) == user.id
    ended = session.execute(delete(Assignment).where(col(Assignment.site_id) == site_id, own))
    return bool(ended.rowcount)  # type: ignore[attr-defined] # a deletion's result has it


def take_all_away(session: Session, user: User) -> None:
    """Hide every site from the person again."""
    session.execute(delete(Assignment).where(col(Assignment.account_id) == user.id))


def sites_of(session: Session, user: User) -> list[Site]:
    """Return the sites assigned to the person, by name."""
    query = select(Site).join(Assignment).where(col(Assignment.account_id) == user.id)
    return list(session.scalars(query.order_by(col(Site.name), col(Site.id))))


def counts(session: Session) -> dict[int, int]:
    """Return how many sites are assigned, by account; those without any are not in it."""
    own = col(Assignment.account_id)
    rows = session.execute(select(own, func.count()).group_by(own))
    return dict(rows.all())


def people_of(session: Session, site_id: str) -> list[User]:
    """Return those to whom the site is assigned, by name."""
    query = select(User).join(Assignment).where(col(Assignment.site_id) == site_id)
    return list(session.scalars(query.order_by(col(User.name))))
