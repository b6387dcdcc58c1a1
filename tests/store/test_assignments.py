"""Whose site is whose."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine
from sqlmodel import Session, select

from service.store import accounts, assignments, overview, sites
from service.store.database import reading, writing
from service.store.tables import Assignment, User

PASSWORD = "a long enough one"


@pytest.fixture
def kept(engine: Engine) -> tuple[User, User, str, str]:
    """Keep somebody of the office, an installer, and two sites."""
    with writing(engine) as session:
        people = [accounts.create_user(session, role, PASSWORD, role) for role in ("office", "installer")]
        mill, kiln = (
            sites.create(session, {"name": n, "timezone": "Europe/London"}).id for n in ("Mill", "Kiln")
        )
    return people[0], people[1], mill, kiln


def _listed(session: Session, user: User) -> list[str]:
    wanted = overview.Wanted(datetime.now(UTC), user)
    found = overview.page(session, wanted, offset=0, limit=9, made_by="this code")
    assert sum(found.counts.values()) == len(found.lines)
    return sorted(line.site_id for line in found.lines)


def test_an_installer_sees_what_is_assigned_and_the_office_all(
    engine: Engine, kept: tuple[User, User, str, str]
) -> None:
    office, installer, mill, kiln = kept
    with writing(engine) as session:
        assert assignments.assign(session, mill, installer)
        assert not assignments.assign(session, mill, installer)
    with reading(engine) as session:
        assert [assignments.may_see(session, installer, s) for s in (mill, kiln, "none")] == [
            True,
            False,
            False,
        ]
        assert [assignments.may_see(session, office, s) for s in (mill, kiln)] == [True, True]
        assert _listed(session, installer) == [mill]
        assert _listed(session, office) == sorted([mill, kiln])
        assert [s.id for s in assignments.sites_of(session, installer)] == [mill]
        assert [u.name for u in assignments.people_of(session, mill)] == ["installer"]
        assert assignments.people_of(session, kiln) == []
    with writing(engine) as session:
        assert assignments.take_away(session, mill, installer)
        assert not assignments.take_away(session, mill, installer)
        assert not assignments.may_see(session, installer, mill)


def test_an_assignment_ends_with_its_site(engine: Engine, kept: tuple[User, User, str, str]) -> None:
    _, installer, mill, _ = kept
    with writing(engine) as session:
        assignments.assign(session, mill, installer)
    with writing(engine) as session:
        sites.delete(session, session.get_one(sites.Site, mill))
    with reading(engine) as session:
        assert session.exec(select(Assignment)).all() == []
