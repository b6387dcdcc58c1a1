"""From a job sheet's code to its site: by form and by short link, for those who are signed in and may see the site."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.store import sites
from service.store.database import reading
from service.store.tokens import CODE_LENGTH, ID_LETTERS
from service.web.app import create_app
from service.web.pages.codes import TRIES, as_typed, in_groups
from tests.web.visit import add_person, add_site, assign, sign_in

pytestmark = pytest.mark.one_database


@pytest.fixture
def visitor(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Somebody with a browser who has not signed in and follows no redirects."""
    app = create_app(settings, engine=engine)
    with TestClient(app, base_url="http://roofs.example", follow_redirects=False) as client:
        yield client


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    """Somebody signed in who sees all sites."""
    return sign_in(visitor, add_person(engine, "office"))


def code_of(engine: Engine, site_id: str) -> str:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        return site.code


def other_than(code: str) -> str:
    """Return a well-formed code that no site has."""
    return code[:-1] + ("a" if code[-1] != "a" else "b")


def test_every_site_has_a_code_of_its_own(engine: Engine) -> None:
    codes = {code_of(engine, add_site(engine, None, name=f"Site {i}")) for i in range(5)}
    assert len(codes) == 5
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ID_LETTERS) for code in codes)


def test_link_and_form_lead_to_the_page_for_the_roof(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    code = code_of(engine, site_id)
    for path in (f"/s/{code}", f"/s/{code.upper()}", f"/go?code={code}", f"/go?code=+{in_groups(code)}+"):
        answer = office.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/sites/{site_id}/van")


def test_who_is_not_signed_in_signs_in_first_and_is_then_where_the_code_leads(
    visitor: TestClient, engine: Engine
) -> None:
    site_id = add_site(engine, None)
    code = code_of(engine, site_id)
    to_form = visitor.get(f"/s/{code}")
    assert (to_form.status_code, to_form.headers["location"]) == (303, f"/sign-in?next=%2Fs%2F{code}")
    person = add_person(engine, "office")
    signed_in = visitor.post(
        "/sign-in", data={"name": person.name, "password": person.password, "next": f"/s/{code}"}
    )
    assert signed_in.headers["location"] == f"/s/{code}"
    assert visitor.get(f"/s/{code}").headers["location"] == f"/sites/{site_id}/van"


def test_unknown_code_says_what_to_do(office: TestClient, engine: Engine) -> None:
    code = other_than(code_of(engine, add_site(engine, None)))
    for path in (f"/s/{code}", f"/go?code={code}"):
        answer = office.get(path)
        assert answer.status_code == 404
        assert "ask the office" in answer.text
        assert f'value="{code}"' in answer.text


@pytest.mark.parametrize("typed", ["abc", "abcdefg", "abc10l", "äöüäöü", "%3Cscript%3E", "a" * 500])
def test_what_is_no_code_is_told_apart(office: TestClient, typed: str) -> None:
    answer = office.get(f"/go?code={typed}")
    assert answer.status_code == 404
    assert "6 letters and digits" in answer.text
    assert "<script>" not in answer.text


def test_empty_form_is_no_error(office: TestClient) -> None:
    for path in ("/go", "/go?code=", "/go?code=%20"):
        answer = office.get(path)
        assert answer.status_code == 200
        assert 'role="alert"' not in answer.text


def test_guessing_ends(office: TestClient, engine: Engine) -> None:
    code = code_of(engine, add_site(engine, None))
    for _ in range(TRIES):
        assert office.get(f"/s/{other_than(code)}").status_code == 404
    for tried in (code, other_than(code)):
        answer = office.get(f"/s/{tried}")
        assert answer.status_code == 429
        assert int(answer.headers["retry-after"]) > 0


def test_code_is_read_as_people_type_it() -> None:
    assert as_typed(" KQ7-m2x ") == "kq7m2x"
    assert as_typed(in_groups("kq7m2x")) == "kq7m2x"


def test_a_code_opens_nothing_to_whom_the_site_is_not_assigned(visitor: TestClient, engine: Engine) -> None:
    own, others = add_site(engine, None), add_site(engine, None, name="Low Mill")
    sign_in(visitor, assign(engine, add_person(engine, "installer"), own))
    assert visitor.get(f"/s/{code_of(engine, own)}").status_code == 303
    hidden, unknown = (visitor.get(f"/s/{c}") for c in (code_of(engine, others), "aaaaaa"))
    assert (hidden.status_code, unknown.status_code) == (404, 404)
    assert hidden.text.replace(code_of(engine, others), "aaaaaa") == unknown.text
