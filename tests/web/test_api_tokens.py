"""What a token is good for: one site or all, reading or writing too; and what happens to those that are none."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine, update
from sqlalchemy.exc import OperationalError
from sqlmodel import select

from service.settings import Settings
from service.store import accounts, audit
from service.store.database import reading, writing
from service.store.tables import ApiToken
from service.web import gate
from service.web.app import create_app
from tests.intake.roof import record
from tests.web.visit import add_site

PROBLEM = "application/problem+json"


@pytest.fixture
def program(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """A program that has no token yet."""
    with TestClient(create_app(settings, engine=engine)) as client:
        yield client


def _token(engine: Engine, name: str = "gateway", **scope: Any) -> dict[str, str]:
    with writing(engine) as session:
        return {"Authorization": f"Bearer {accounts.create_token(session, name, **scope)}"}


def _said(answer: Any, status: int) -> str:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    return str(answer.json()["detail"])


def test_a_token_for_one_site_sees_that_site_alone(program: TestClient, engine: Engine) -> None:
    own, other = add_site(engine, None, name="Own"), add_site(engine, None, name="Another")
    token = _token(engine, site_id=own)
    listed = program.get("/api/v1/sites", headers=token).json()
    assert (listed["total"], [s["id"] for s in listed["sites"]]) == (1, [own])
    assert program.get(f"/api/v1/sites/{own}", headers=token).status_code == 200
    assert program.put(f"/api/v1/sites/{own}", headers=token, json=record()).status_code == 200
    for path in (other, f"{other}/readings", f"{own}x", f"{own}/../{other}", "none", ""):
        _said(program.get(f"/api/v1/sites/{path}", headers=token), 404)
    assert "one site" in _said(program.put(f"/api/v1/sites/{other}", headers=token, json=record()), 404)
    assert "one for all sites" in _said(program.post("/api/v1/sites", headers=token, json=record()), 403)
    assert "one for all sites" in _said(program.delete(f"/api/v1/sites/{own}", headers=token), 403)


def test_a_token_for_reading_changes_nothing(program: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    for scope in ({}, {"site_id": site_id}):
        token = _token(engine, read_only=True, **scope)
        assert program.get(f"/api/v1/sites/{site_id}", headers=token).status_code == 200
        for method, path in (
            ("PUT", ""),
            ("POST", "/readings"),
            ("POST", "/weather"),
            ("POST", "/corrections"),
        ):
            refused = program.request(method, f"/api/v1/sites/{site_id}{path}", headers=token, json=record())
            assert "may only read; ask the office" in _said(refused, 403)
    with reading(engine) as session:
        assert audit.latest(session) == []


def test_a_token_goes_with_its_site(program: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    token, all_sites = _token(engine, site_id=site_id), _token(engine)
    assert program.delete(f"/api/v1/sites/{site_id}", headers=all_sites).status_code == 204
    assert program.get("/api/v1/sites", headers=token).status_code == 401


def test_a_token_for_no_site_is_not_made(engine: Engine) -> None:
    with writing(engine) as session, pytest.raises(accounts.AccountError, match="no site of the id 'none'"):
        accounts.create_token(session, "gateway", site_id="none")
    for name in ("", "  ", "x" * 101):
        with writing(engine) as session, pytest.raises(accounts.AccountError, match="1 to 100 characters"):
            accounts.create_token(session, name)


# Last use


def _used(engine: Engine) -> datetime | None:
    with reading(engine) as session:
        return session.exec(select(ApiToken)).one().last_used_at


def test_last_use_is_kept_once_a_minute(program: TestClient, engine: Engine) -> None:
    token = _token(engine)
    assert _used(engine) is None
    program.get("/api/v1/sites", headers=token)
    first = _used(engine)
    assert first is not None
    assert timedelta() <= datetime.now(UTC) - first < timedelta(seconds=30)
    program.get("/api/v1/sites", headers=token)
    assert _used(engine) == first
    with writing(engine) as session:
        session.execute(update(ApiToken).values(last_used_at=first - timedelta(minutes=2)))
    program.get("/api/v1/sites", headers=token)
    latest = _used(engine)
    assert latest is not None
    assert latest >= first


def test_a_use_that_cannot_be_noted_fails_no_request(
    program: TestClient, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_: object) -> None:
        raise OperationalError("UPDATE", {}, Exception("database is locked"))

    monkeypatch.setattr(gate, "note_use", locked)
    assert program.get("/api/v1/sites", headers=_token(engine)).status_code == 200
    monkeypatch.setattr(gate, "failed", locked)
    assert program.get("/api/v1/sites", headers={"Authorization": "Bearer none"}).status_code == 401


# Bad tokens


def test_bad_tokens_make_their_sender_wait_and_nobody_else(
    program: TestClient, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "BAD_TOKENS", 3)
    good, bad = _token(engine), {"Authorization": "Bearer guessed"}
    assert [program.get("/api/v1/sites", headers=bad).status_code for _ in range(5)] == [401] * 3 + [429] * 2
    answer = program.get("/api/v1/sites", headers=bad)
    assert "correct the token" in _said(answer, 429)
    assert answer.headers["retry-after"] == "300"
    assert program.get("/api/v1/sites", headers=good).status_code == 200
    assert program.get("/api/v1/sites").status_code == 401


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.1", "192.0.2.2", False),
        ("::ffff:192.0.2.1", "192.0.2.1", True),
        ("2001:db8:1:1::1", "2001:db8:1:1:ffff::2", True),  # one subscriber's /64 (RFC 6177, RFC 4291)
        ("2001:db8:1:1::1", "2001:db8:1:2::1", False),
        ("testclient", "testclient", True),
    ],
)
def test_what_counts_as_one_address(one: str, other: str, *, same: bool) -> None:
    found = [gate.network({"client": (host, 1)}) for host in (one, other)]
    assert (found[0] == found[1]) is same
    assert gate.network({"client": None}) == "unknown"


# What is noted


def test_every_change_of_a_record_is_noted_with_the_programs_name(
    program: TestClient, engine: Engine
) -> None:
    token = _token(engine, "backup of Ida")
    site_id = program.post("/api/v1/sites", headers=token, json=record()).json()["id"]
    program.put(f"/api/v1/sites/{site_id}", headers=token, json={**record(), "name": "Renamed"})
    assert program.put(f"/api/v1/sites/{site_id}", headers=token, json={}).status_code == 422
    program.delete(f"/api/v1/sites/{site_id}", headers=token)
    with reading(engine) as session:
        noted = audit.latest(session, site_id=site_id)
    assert [(row.action, row.details["site"]) for row in reversed(noted)] == [
        ("site.made", "Mill Lane 4"),
        ("record.replaced", "Renamed"),
        ("site.removed", "Renamed"),
    ]
    assert {row.who for row in noted} == {"token backup of Ida"}
