"""Signing in: who gets in, for how long, and where to. Cookies open pages, tokens open the API, and never the other."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlmodel import select

from service.settings import Settings
from service.store import accounts
from service.store.database import writing
from service.store.tables import User
from service.web import session as web_session
from service.web.app import create_app
from service.web.session import SESSION_COOKIE, safe_next
from tests.web.visit import Person, add_person, add_site, sign_in

pytestmark = pytest.mark.one_database


@pytest.fixture
def visitor(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Somebody with a browser who has not signed in and follows no redirects."""
    app = create_app(settings, engine=engine)
    with TestClient(app, base_url="http://roofs.example", follow_redirects=False) as client:
        yield client


@pytest.fixture
def person(engine: Engine) -> Person:
    """An office account."""
    return add_person(engine, "office", "Ida Quarrie")


def attempt(client: TestClient, name: str, password: str, **more: str) -> int:
    return client.post("/sign-in", data={"name": name, "password": password, **more}).status_code


# Getting in


@pytest.mark.parametrize(
    "path", ["/", "/sites/x", "/sites/x/van", "/sites/x/units/1/2", "/sites/x/chart/site.svg"]
)
def test_pages_send_visitors_to_sign_in(visitor: TestClient, path: str) -> None:
    answer = visitor.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")


def test_after_signing_in_one_is_where_one_wanted_to_be(visitor: TestClient, person: Person) -> None:
    to_form = visitor.get("/sites/x?day=2026-05-04&q=a b")
    form = visitor.get(to_form.headers["location"])
    assert 'name="next" value="/sites/x?day=2026-05-04&amp;q=a%20b"' in form.text
    answer = visitor.post(
        "/sign-in", data={"name": person.name, "password": person.password, "next": "/sites/x?day=2026-05-04"}
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites/x?day=2026-05-04")
    assert visitor.get("/").status_code == 200
    assert visitor.get("/sign-in").headers["location"] == "/"


def test_a_form_without_session_goes_to_sign_in(visitor: TestClient, engine: Engine) -> None:
    answer = visitor.post(f"/sites/{add_site(engine, None)}/owner-link")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_wrong_password_shows_the_form_again(visitor: TestClient, person: Person) -> None:
    answer = visitor.post(
        "/sign-in", data={"name": person.name, "password": "wrong-password", "next": "/sites/x"}
    )
    assert answer.status_code == 401
    assert "do not fit each other" in answer.text
    assert f'value="{person.name}"' in answer.text
    assert 'value="/sites/x"' in answer.text
    assert "wrong-password" not in answer.text
    assert SESSION_COOKIE not in answer.cookies


@pytest.mark.parametrize(("name", "password"), [("", "x"), ("   ", "x"), ("Ida", ""), ("", "")])
def test_missing_fields_are_named(visitor: TestClient, name: str, password: str) -> None:
    answer = visitor.post("/sign-in", data={"name": name, "password": password})
    assert answer.status_code == 422
    assert "Give both the name and the password." in answer.text


def test_what_was_typed_is_escaped(visitor: TestClient) -> None:
    answer = visitor.post("/sign-in", data={"name": '"><script>', "password": "x", "next": '/"><script>'})
    assert "<script>" not in answer.text
    assert "&#34;&gt;&lt;script&gt;" in answer.text


# The cookie


def test_cookie_is_closed_to_scripts_and_other_sites(visitor: TestClient, person: Person) -> None:
    sign_in(visitor, person)
    cookie = visitor.post("/sign-in", data={"name": person.name, "password": person.password}).headers[
        "set-cookie"
    ]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Path=/" in cookie
    assert "Secure" not in cookie  # plain http, and not asked for


@pytest.mark.parametrize(
    ("base", "asked"), [("https://roofs.example", False), ("http://roofs.example", True)]
)
def test_cookie_is_secure_over_https_or_when_asked(
    settings: Settings, engine: Engine, person: Person, base: str, *, asked: bool
) -> None:
    app = create_app(settings.model_copy(update={"secure_cookies": asked}), engine=engine)
    with TestClient(app, base_url=base, follow_redirects=False) as client:
        answer = client.post("/sign-in", data={"name": person.name, "password": person.password})
    assert "Secure" in answer.headers["set-cookie"]
    assert ("strict-transport-security" in answer.headers) is asked


def test_a_changed_cookie_opens_nothing(visitor: TestClient, person: Person) -> None:
    value = sign_in(visitor, person).cookies[SESSION_COOKIE]
    signature = value.rindex(".") + 3  # inside it: the last character's low bits say nothing
    other = "A" if value[signature] != "A" else "B"
    for false in (value[:signature] + other + value[signature + 1 :], value.swapcase(), "", "x.y.z"):
        visitor.cookies.clear()
        visitor.cookies.set(SESSION_COOKIE, false)
        assert visitor.get("/").status_code == 303


def test_a_cookie_ends(visitor: TestClient, person: Person, monkeypatch: pytest.MonkeyPatch) -> None:
    sign_in(visitor, person)
    assert visitor.get("/").status_code == 200
    monkeypatch.setattr(web_session, "SESSION_S", -1)
    assert visitor.get("/").status_code == 303


def test_another_key_makes_cookies_void(
    settings: Settings, engine: Engine, visitor: TestClient, person: Person
) -> None:
    value = sign_in(visitor, person).cookies[SESSION_COOKIE]
    other = Settings(
        _env_file=None,  # type: ignore[call-arg] - pydantic-settings' own argument
        database_url=settings.database_url,
        secret_key="f" * 64,  # type: ignore[arg-type] - parsed by pydantic
    )
    with TestClient(create_app(other, engine=engine), follow_redirects=False) as client:
        client.cookies.set(SESSION_COOKIE, value)
        assert client.get("/").status_code == 303


def test_a_cookie_for_once_is_no_session(visitor: TestClient, engine: Engine, person: Person) -> None:
    site_id = add_site(engine, None)
    sign_in(visitor, person).post(f"/sites/{site_id}/owner-link")
    once = visitor.cookies[web_session.FLASH_COOKIE]
    visitor.cookies.clear()
    visitor.cookies.set(SESSION_COOKIE, once)
    assert visitor.get("/").status_code == 303


def test_a_new_password_ends_old_sessions(visitor: TestClient, engine: Engine, person: Person) -> None:
    sign_in(visitor, person)
    with writing(engine) as session:
        accounts.set_password(session, session.exec(select(User)).one(), "another-password")
    assert visitor.get("/").status_code == 303


def test_a_deleted_account_is_out(visitor: TestClient, engine: Engine, person: Person) -> None:
    sign_in(visitor, person)
    with writing(engine) as session:
        session.delete(session.exec(select(User)).one())
    assert visitor.get("/").status_code == 303


def test_sign_out(visitor: TestClient, person: Person) -> None:
    answer = sign_in(visitor, person).post("/sign-out")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert visitor.get("/").status_code == 303


# Two doors, two keys


def test_a_token_opens_no_page(client: TestClient) -> None:
    assert client.get("/api/v1/sites").status_code == 200
    assert client.get("/", follow_redirects=False).status_code == 303


def test_a_session_opens_no_api_path(visitor: TestClient, person: Person) -> None:
    assert sign_in(visitor, person).get("/api/v1/sites").status_code == 401


# Forms from elsewhere


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"Sec-Fetch-Site": "same-origin"}, True),
        ({"Sec-Fetch-Site": "none"}, True),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Sec-Fetch-Site": "same-site"}, False),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://roofs.example"}, False),
        ({"Origin": "http://roofs.example"}, True),
        ({"Origin": "http://127.0.0.1:8000"}, True),  # the base address in the settings
        ({"Origin": "https://elsewhere.example"}, False),
        ({"Origin": "http://roofs.example.elsewhere.example"}, False),
        ({"Origin": "null"}, False),
        ({}, True),
    ],
)
def test_forms_from_elsewhere_are_refused(
    visitor: TestClient, engine: Engine, person: Person, headers: dict[str, str], *, allowed: bool
) -> None:
    site_id = add_site(engine, None)
    sign_in(visitor, person)
    for path in (f"/sites/{site_id}/owner-link", f"/sites/{site_id}/owner-link/revoke"):
        assert visitor.post(path, headers=headers).status_code == (303 if allowed else 403)
    status = visitor.post("/sign-in", headers=headers, data={"name": "x", "password": "y"}).status_code
    assert status == (401 if allowed else 403)
    assert visitor.post("/sign-out", headers=headers).status_code == (303 if allowed else 403)


# Where to


@pytest.mark.parametrize(
    "target",
    [
        "https://elsewhere.example", "//elsewhere.example", "/\\elsewhere.example", "\\\\elsewhere.example",
        "/\t/elsewhere.example", "/\n/elsewhere.example", " //elsewhere.example", "javascript:alert(1)", "", "sites",
        "http:/elsewhere.example", "/\x00/x", "/sign-in?next=/", "/sign-out", "/api/v1/sites", "/sites/a b",
    ],
)  # fmt: skip
def test_no_way_out_through_next(visitor: TestClient, person: Person, target: str) -> None:
    assert safe_next(target) == "/"
    answer = visitor.post("/sign-in", data={"name": person.name, "password": person.password, "next": target})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


@pytest.mark.parametrize("target", ["/", "/sites/x", "/sites/x/units/7/2?day=2026-05-04", "/?q=mill&page=2"])
def test_ways_within(target: str) -> None:
    assert safe_next(target) == target


@given(st.text())
def test_next_is_always_a_path_of_ours(target: str) -> None:
    found = safe_next(target)
    assert found.startswith("/")
    assert not found.startswith(("//", "/\\"))


# Too many tries


def test_too_many_failures_make_one_wait(
    visitor: TestClient, settings: Settings, engine: Engine, person: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_session, "TRIES_AT_A_NAME", 3)
    assert [attempt(visitor, person.name, "wrong-password") for _ in range(3)] == [401] * 3
    with TestClient(create_app(settings, engine=engine)) as other_process:
        for client in (visitor, other_process):
            answer = client.post("/sign-in", data={"name": person.name, "password": person.password})
            assert answer.status_code == 429
            assert answer.headers["retry-after"] == "300"
            assert "Wait five minutes" in answer.text
            assert SESSION_COOKIE not in answer.cookies
    assert attempt(visitor, "Somebody Else", "wrong-password") == 401


def test_an_address_may_fail_so_often_whatever_the_name(
    visitor: TestClient, person: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_session, "TRIES_FROM_AN_ADDRESS", 3)
    assert [attempt(visitor, name, "wrong-password") for name in "abc"] == [401] * 3
    assert attempt(visitor, person.name, person.password) == 429


def test_signing_in_is_no_failure(
    visitor: TestClient, person: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_session, "TRIES_AT_A_NAME", 2)
    assert [attempt(visitor, person.name, person.password) for _ in range(5)] == [303] * 5
