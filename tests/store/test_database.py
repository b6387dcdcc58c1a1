"""Sessions: a unit of work is kept as a whole or not at all, and writers wait for each other."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, select

from service.store.database import reading, writing
from service.store.sites import create
from service.store.tables import Site, User


def _create_and_fail(session: Session) -> None:
    create(session, {"name": "Mill Lane 4"})
    raise ZeroDivisionError


def test_work_that_fails_leaves_nothing(engine: Engine) -> None:
    with pytest.raises(ZeroDivisionError), writing(engine) as session:
        _create_and_fail(session)
    with reading(engine) as session:
        assert session.exec(select(Site)).all() == []


def test_reading_keeps_nothing(engine: Engine) -> None:
    with reading(engine) as session:
        create(session, {"name": "Mill Lane 4"})
    with reading(engine) as session:
        assert session.exec(select(Site)).all() == []


def test_database_refuses_what_the_tables_forbid(engine: Engine) -> None:
    with pytest.raises(IntegrityError), writing(engine) as session:
        session.add(User(name="Ana", role="boss", password_hash="x", created_at=datetime.now(UTC)))
