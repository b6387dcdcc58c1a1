"""Everybody who may come to the door, and a site with one of everything that an address can name.

For the table of `test_access.py`. A route with a new kind of name in its address gets its value in `_values`, a form
that needs a body to get past reading it gets that in `BODIES`.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from functools import cache
from tempfile import TemporaryDirectory
from typing import Any

from fastapi.testclient import TestClient
from httpx import Response
from sqlalchemy import Connection, Engine, Table
from sqlmodel import Session
from starlette.routing import Mount, Route

from service.intake.accept import accept
from service.intake.correction import read_correction
from service.intake.take import take_readings
from service.jobs.codec import to_json
from service.jobs.punch_list import put_on_list
from service.jobs.verification import MADE_BY, summary
from service.store import accounts, assignments, password_links, photos, sites, uploads, verifications
from service.store.database import make_engine, reading, writing
from service.store.migrate import upgrade
from service.store.tables import Site, User, metadata
from service.verify.result import Verification
from tests.report import sample
from tests.web.bring import brought, exported
from tests.web.visit import PASSWORDS, add_feed, add_site

PEOPLE = ("nobody", "owner", "stranger", "installer", "office")
TOKENS = ("all-write", "all-read", "site-write", "site-read", "other-site")
ROLES = (*PEOPLE, *TOKENS)

TURNED = {"kind": "plane", "plane": "east dormer", "azimuth_deg": 131.5, "tilt_deg": 24.5}
ONE_READING = b'{"interval_min": 5, "start": "2026-05-04T12:00:00Z", "energy_wh": {"60418820001": [5]}}'
FILE = "2026-05.csv"

UNWATCHED = {"failed_tries"}
"""Tables in which a refused request may leave something."""

BODIES: dict[str, dict[str, Any]] = {}
"""What is sent along, by route; nothing without an entry."""


def routes(found: Iterable[Any]) -> Iterator[tuple[str, str]]:
    """Give method and path of every route; files are one route a folder."""
    for route in found:
        if isinstance(route, Mount):
            yield "GET", f"{route.path}/{{file}}"
        else:
            assert isinstance(route, Route), route
            yield from ((method, route.path) for method in (route.methods or set()) - {"HEAD"})


@dataclass
class House:
    """One of each role, and what the names in the addresses stand for."""

    client: TestClient
    engine: Engine
    values: dict[str, str] = field(default_factory=dict)
    headers: dict[str, dict[str, str]] = field(default_factory=dict)
    owner_token: str = ""

    def build(self) -> None:
        """Have everybody and everything anew: the first time it is made, from then on the database is its copy."""
        if self.engine not in MADE:
            self._make()
            MADE[self.engine] = _copy(self.engine), self.values, self.headers, self.owner_token
        database, values, headers, self.owner_token = MADE[self.engine]
        with closing(self.engine.raw_connection()) as held:
            database.backup(held.driver_connection)
        self.values, self.headers = dict(values), dict(headers)

    def _make(self) -> None:
        """Empty the database and keep everybody and everything."""
        with writing(self.engine) as session:
            for table in reversed(metadata.sorted_tables):
                session.execute(table.delete())
        site_id, other = _site(self.engine), add_site(self.engine, None, name="Mill Lane")
        self.headers = {"nobody": {}, "owner": {}}
        with writing(self.engine) as session:
            people = _people(session, site_id)
            self.owner_token = sites.make_owner_link(session, session.get_one(Site, site_id))
            self.headers |= _tokens(session, site_id, other)
            self.values = _values(session, site_id, people)
        for person in people:
            self.headers[person.name] = self._cookie(person)

    def ask(self, role: str, method: str, path: str, **headers: str) -> Response:
        """Return the answer that somebody of the role gets at the route."""
        held = self.owner_token if role == "owner" else "of-nobody"
        address = path.replace(":path}", "}").format_map({**self.values, "token": held})
        self.client.cookies.clear()
        sent = {"headers": {**self.headers[role], **headers}, **BODIES.get(f"{method} {path}", {})}
        return self.client.request(method, address, follow_redirects=False, **sent)

    def everything(self) -> dict[str, Counter[tuple[Any, ...]]]:
        """Return all that is held, to tell whether a request changed anything."""
        with reading(self.engine) as session:
            held = session.connection()
            return {t.name: _rows(held, t) for t in metadata.sorted_tables if t.name not in UNWATCHED}

    def _cookie(self, person: User) -> dict[str, str]:
        form = {"name": person.name, "password": PASSWORDS[person.role]}
        self.client.cookies.clear()
        answer = self.client.post("/sign-in", data=form, follow_redirects=False)
        assert answer.status_code == 303, answer.text
        return {"Cookie": answer.headers["set-cookie"].partition(";")[0]}


MADE: dict[Engine, tuple[sqlite3.Connection, dict[str, str], dict[str, dict[str, str]], str]] = {}
"""The first house on a database: a copy of all that was kept, and what the house knew of it."""


def _copy(engine: Engine) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:")
    with closing(engine.raw_connection()) as held:
        held.driver_connection.backup(copy)
    return copy


def _rows(held: Connection, table: Table) -> Counter[tuple[Any, ...]]:
    return Counter(map(tuple, held.exec_driver_sql(_all_of(table, held.engine))))


@cache
def _all_of(table: Table, engine: Engine) -> str:
    """Return the question for a table's rows as they are held: to read what stands in them takes longer."""
    noted = [c for c in table.columns if c.name != "last_used_at"]
    return str(table.select().with_only_columns(*noted).compile(engine))


@cache
def _found() -> tuple[Verification, bytes]:
    return sample.verification(), to_json(sample.verification())


def _site(engine: Engine) -> str:
    site_id = add_site(engine, None)
    take_readings(engine, site_id, ONE_READING, "application/json")
    accept(engine, site_id, read_correction(TURNED), by="Ana")
    found, kept = _found()
    with writing(engine) as session:
        version = session.get_one(Site, site_id).data_version
        told = summary(found)
        verifications.save(
            session, site_id, sites.DEFAULT_WINDOW, version, kept, made_by=MADE_BY, summary=told
        )
    _upload(engine, site_id)
    put_on_list(engine, site_id, found, by="Ana", subject=f"unit:{sample.DEAD}")
    add_feed(engine, site_id)
    return site_id


def _upload(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        upload = uploads.begin(session, site_id, name=FILE, by="Ana")
        uploads.keep_rejected(session, upload, 0, [[FILE, 3, "", "?", "?"]])
        upload.state, upload.found = "ready", _found_in_file()


@cache
def _found_in_file() -> dict[str, Any]:
    """Return what looking at a file found, worked out once."""
    with TemporaryDirectory() as folder:
        engine = make_engine(f"sqlite:///{folder}/yieldproof.sqlite")
        upgrade(engine)
        site_id = add_site(engine, None)
        number = brought(engine, site_id, exported(), name=FILE, label="start")
        with reading(engine) as session:
            found = uploads.get(session, site_id, number)
        engine.dispose()
    return dict(found.found or {}) if found else {}


def _people(session: Session, site_id: str) -> list[User]:
    roles = {"stranger": "installer", "installer": "installer", "office": "office"}
    people = [accounts.create_user(session, name, PASSWORDS[role], role) for name, role in roles.items()]
    assignments.assign(session, site_id, people[1])
    return people


def _tokens(session: Session, site_id: str, other: str) -> dict[str, dict[str, str]]:
    scopes = (
        {},
        {"read_only": True},
        {"site_id": site_id},
        {"site_id": site_id, "read_only": True},
        {"site_id": other},
    )
    made = [accounts.create_token(session, name, **scope) for name, scope in zip(TOKENS, scopes, strict=True)]
    return {name: {"Authorization": f"Bearer {token}"} for name, token in zip(TOKENS, made, strict=True)}


def _values(session: Session, site_id: str, people: list[User]) -> dict[str, str]:
    """Return what the names in the addresses stand for: all of it on the installer's site, and there."""
    site = session.get_one(Site, site_id)
    return {
        "site_id": site_id,
        "serial": sample.SHADED,
        "number": "1",
        "code": site.code,
        "file": "page.css",
        "name": "site",
        "form": "csv",
        "account_id": str(people[1].id),
        "token_id": str(accounts.valid_tokens(session)[0].id),
        "invitation": password_links.make(session, people[1]),
        "photo_id": photos.keep(session, site_id, b"jpeg", width=1, height=1, by="Ana"),
    }
