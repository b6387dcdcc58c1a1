"""For tests of pages: people who sign in, and sites whose verification is kept beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi.testclient import TestClient
from sqlalchemy import Engine
from sqlmodel import col, select

from service.jobs import quality
from service.jobs.assemble import site_from_record
from service.jobs.codec import to_json
from service.jobs.site_days import days_of
from service.jobs.verification import MADE_BY, summary
from service.store import accounts, assignments, feeds, site_days, sites, verifications
from service.store.database import writing
from service.store.feeds import Heard, Key, Seen
from service.store.tables import User
from service.verify.result import Verification
from tests.report import arrivals, sample

PASSWORDS = {"office": "seven-slates-up", "installer": "ladder-and-rope"}


@dataclass(frozen=True)
class Person:
    """An account to sign in with."""

    name: str
    password: str


def add_person(engine: Engine, role: str, name: str | None = None) -> Person:
    """Keep an account of that role."""
    person = Person(name or f"{role} person", PASSWORDS[role])
    with writing(engine) as session:
        accounts.create_user(session, person.name, person.password, role)
    return person


def assign(engine: Engine, person: Person, *site_ids: str) -> Person:
    """Make the sites the installer's own; without that an installer sees none."""
    with writing(engine) as session:
        user = session.exec(select(User).where(col(User.name) == person.name)).one()
        for site_id in site_ids:
            assignments.assign(session, site_id, user)
    return person


def add_site(
    engine: Engine, verification: Verification | None, *, name: str = "Kiln Cottage", record: Any = None
) -> str:
    """Keep a site with its verification, as if it had just been made; return its id."""
    with writing(engine) as session:
        site = sites.create(session, {**(record or sample.record()), "name": name})
        if verification is not None:
            verifications.save(
                session,
                site.id,
                sites.DEFAULT_WINDOW,
                0,
                to_json(verification),
                made_by=MADE_BY,
                summary=summary(verification),
            )
            days = days_of(verification, site_from_record(site.record))
            site_days.keep(session, site.id, days, MADE_BY)
            quality.save(session, site.id, 0, arrivals.sound())
        return site.id


def sign_in(client: TestClient, person: Person) -> TestClient:
    """Sign the person in on this client."""
    answer = client.post(
        "/sign-in", data={"name": person.name, "password": person.password}, follow_redirects=False
    )
    assert answer.status_code == 303, answer.text
    return client


FEED = {
    "serial": {"level": "serial"},
    "time": {"path": "$.sent"},
    "values": {"counter_wh": {"path": "$.total"}, "temperature_c": {"path": "$.inside"}},
    "interval_min": 5,
}


def add_feed(engine: Engine, site_id: str, serial: str = "60418820001") -> None:
    """Keep a feed of the site with a message that was understood and one that was not."""
    topic, at = f"{site_id}/{serial}/state", datetime(2026, 5, 8, 9, 30, tzinfo=UTC)
    good = b'{"sent": "2026-05-08T11:29:58+02:00", "total": 48213.5, "inside": 31}'
    bad = b'{"sent": "2026-05-08T11:29:58+02:00", "total": "n/a", "inside": 31}'
    heard = Heard(2, 1, Seen(at, topic, good), Seen(at, topic, bad, "$.total must be a number"))
    with writing(engine) as session:
        feed = feeds.make(session, site_id, f"{site_id}/+serial/state", FEED, enabled=True)
        feeds.keep(session, Key(site_id, feed.number), heard, 0)
        feeds.say(session, connected=False, reason="it refuses the connection: Not authorized")
