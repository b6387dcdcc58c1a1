"""People, tokens, one's own account and the audit list, as the office and others click through them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.store import accounts, assignments, audit, password_links
from service.store.database import reading, writing
from service.store.tables import User
from service.web import session as web_session
from service.web.app import create_app
from service.web.pages import audit_list
from tests.web.visit import Person, add_person, add_site, assign, sign_in

pytestmark = pytest.mark.one_database

HOSTILE = "<script>alert(1)</script>"
NEW = "a brand new password"


@pytest.fixture
def app_client(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """A browser without anybody signed in."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield client


@pytest.fixture
def office(app_client: TestClient, engine: Engine) -> TestClient:
    """Somebody of the office, signed in."""
    return sign_in(app_client, add_person(engine, "office", "Ida Quarrie"))


@pytest.fixture
def elsewhere(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Another browser."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield client


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\xa0", " ")


def _user(engine: Engine, name: str) -> User:
    with reading(engine) as session:
        user = accounts.named(session, name)
    assert user is not None
    return user


def _link(html: str) -> str:
    found = re.findall(r'value="http://roofs\.example(/password/[\w-]{32,})"', html)
    assert len(found) == 1
    return str(found[0])


# Inviting


def test_somebody_is_invited_follows_the_link_once_and_sees_the_sites(
    office: TestClient, elsewhere: TestClient, engine: Engine
) -> None:
    own, other = add_site(engine, None, name="Mill"), add_site(engine, None, name="Kiln")
    page = office.post("/people", data={"name": " Ana Ribeiro ", "role": "installer", "site": [own]})
    assert page.status_code == 200
    link = _link(page.text)
    assert "/password/" not in office.get(f"/people/{_user(engine, 'Ana Ribeiro').id}").text
    assert "invited, the link ends on" in text_of(office.get("/people").text)

    for _ in range(2):  # looking uses nothing up
        form = elsewhere.get(link)
        assert "Welcome, Ana Ribeiro" in form.text
        assert form.headers["cache-control"] == "private, no-store"
    assert "type the same twice" in elsewhere.post(link, data={"new": NEW, "again": "x"}).text
    short = elsewhere.post(link, data={"new": "short", "again": "short"})
    assert (short.status_code, "at least 10" in short.text) == (422, True)
    arrived = elsewhere.post(link, data={"new": NEW, "again": NEW})
    assert "Mill" in arrived.text
    assert "Kiln" not in arrived.text
    assert elsewhere.get(f"/sites/{other}").status_code == 404
    for used in (elsewhere.get(link), elsewhere.post(link, data={"new": NEW, "again": NEW})):
        assert (used.status_code, "not good any more" in used.text) == (404, True)


def test_what_was_typed_stays_when_an_invitation_is_refused(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None, name=HOSTILE)
    for typed in ({"name": "Ida Quarrie"}, {"name": HOSTILE + "x" * 100}, {"name": "Bo", "role": "boss"}):
        page = office.post("/people", data={"role": "installer", "site": [site_id], **typed})
        assert page.status_code == 422
        assert 'role="alert"' in page.text
        assert typed["name"] in unescape(page.text)
        assert HOSTILE not in page.text
    assert f'value="{site_id}" checked' in office.post(
        "/people", data={"name": "", "role": "installer", "site": [site_id]}
    ).text  # fmt: skip
    with reading(engine) as session:
        assert len(accounts.everybody(session)) == 1


def test_one_of_the_office_is_invited_without_sites(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    office.post("/people", data={"name": "Bo", "role": "office", "site": [site_id]})
    with reading(engine) as session:
        assert assignments.people_of(session, site_id) == []


# What is done with an account


def test_disabling_signs_out_at_once_and_enabling_lets_back_in(
    office: TestClient, elsewhere: TestClient, engine: Engine
) -> None:
    installer = add_person(engine, "installer")
    href = f"/people/{_user(engine, installer.name).id}"
    sign_in(elsewhere, installer)
    assert "disabled since" in text_of(office.post(f"{href}/disable").text)
    assert elsewhere.get("/", follow_redirects=False).status_code == 303
    refused = elsewhere.post("/sign-in", data={"name": installer.name, "password": installer.password})
    assert refused.status_code == 401
    assert office.post(f"{href}/link").status_code == 422
    assert "can sign in" in text_of(office.post(f"{href}/enable").text)
    sign_in(elsewhere, installer)


def test_the_last_of_the_office_is_told_why_not(office: TestClient, engine: Engine) -> None:
    href = f"/people/{_user(engine, 'Ida Quarrie').id}"
    for action, form in (("disable", {}), ("role", {"role": "installer"})):
        page = office.post(f"{href}/{action}", data=form)
        assert page.status_code == 422
        assert "Ida Quarrie is the last of the office" in page.text
    assert office.get("/people").status_code == 200


def test_a_forgotten_password_is_set_by_a_new_link(
    office: TestClient, elsewhere: TestClient, engine: Engine
) -> None:
    installer = add_person(engine, "installer")
    sign_in(elsewhere, installer)
    link = _link(office.post(f"/people/{_user(engine, installer.name).id}/link").text)
    assert elsewhere.get("/").status_code == 200
    elsewhere.cookies.clear()
    assert f"A new password for {installer.name}" in elsewhere.get(link).text
    assert elsewhere.post(link, data={"new": NEW, "again": NEW}).status_code == 200
    elsewhere.cookies.clear()
    sign_in(elsewhere, Person(installer.name, NEW))


def test_sites_are_assigned_on_the_persons_page_and_on_the_sites(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None, name="Mill")
    user = _user(engine, add_person(engine, "installer").name)
    here, there = f"/people/{user.id}", f"/sites/{site_id}"

    def seen() -> bool:
        with reading(engine) as session:
            return assignments.may_see(session, user, site_id)

    office.post(f"{here}/sites", data={"site": site_id})
    assert seen()
    assert user.name in text_of(office.get(there).text)
    office.post(f"{there}/people/take-away", data={"account": user.id})
    assert not seen()
    office.post(f"{there}/people", data={"account": user.id})
    assert seen()
    office.post(f"{here}/sites/take-away", data={"site": site_id})
    assert not seen()
    assert "no site of the id" in unescape(office.post(f"{here}/sites", data={"site": "none"}).text)
    ida = _user(engine, "Ida Quarrie")
    assert "sees every site" in office.post(f"{there}/people", data={"account": ida.id}).text


def test_nobody_of_that_number(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    assert office.get("/people/999").status_code == 404
    for action in ("link", "role", "disable", "enable", "sites", "sites/take-away"):
        assert office.post(f"/people/999/{action}", data={"role": "office"}).status_code == 404
    assert office.post(f"/sites/{site_id}/people", data={"account": 999}).status_code == 404
    assert office.post("/tokens/999/end").status_code == 404
    assert office.get("/people/99999999999999999999").status_code == 422


# Tokens


def test_a_token_is_shown_once_works_and_ends(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None, name="Mill")
    page = office.post("/tokens", data={"name": "gateway", "site": site_id, "may": "read"}).text
    token = re.findall(r'<input class="link"[^>]* value="([\w-]{32})"', page)[0]
    assert token not in office.get("/tokens").text
    headers = {"Authorization": f"Bearer {token}"}
    assert office.get(f"/api/v1/sites/{site_id}", headers=headers).status_code == 200
    assert office.put(f"/api/v1/sites/{site_id}", headers=headers, json={}).status_code == 403
    listed = text_of(office.get("/tokens").text)
    assert re.search(r"gateway Mill read only .* UTC", listed), listed
    ended = re.findall(r'action="(/tokens/\d+/end)"', office.get("/tokens").text)[0]
    for _ in range(2):
        assert office.post(ended).status_code == 200
    assert office.get(f"/api/v1/sites/{site_id}", headers=headers).status_code == 401


@pytest.mark.parametrize(("name", "site"), [("", ""), ("x" * 101, ""), ("gateway", "none")])
def test_a_token_that_cannot_be_made(office: TestClient, engine: Engine, name: str, site: str) -> None:
    page = office.post("/tokens", data={"name": name, "site": site})
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    with reading(engine) as session:
        assert accounts.valid_tokens(session) == []


# One's own account


def test_own_password_needs_the_old_one_and_ends_other_sessions(
    office: TestClient, elsewhere: TestClient
) -> None:
    ida = Person("Ida Quarrie", "seven-slates-up")
    sign_in(elsewhere, ida)
    wrong = office.post("/account/password", data={"old": "x", "new": NEW, "again": NEW})
    assert (wrong.status_code, "old password is not right" in wrong.text) == (422, True)
    unequal = office.post("/account/password", data={"old": ida.password, "new": NEW, "again": "x"})
    assert (unequal.status_code, "type the same twice" in unequal.text) == (422, True)
    done = office.post("/account/password", data={"old": ida.password, "new": NEW, "again": NEW})
    assert "Everywhere else you are signed out" in done.text
    assert office.get("/account").status_code == 200
    assert "Everywhere else" not in office.get("/account").text
    assert elsewhere.get("/", follow_redirects=False).status_code == 303


def test_the_old_password_cannot_be_guessed_from_an_open_session(
    office: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.web.pages.own_account.TRIES_AT_A_NAME", 2)
    tries = [office.post("/account/password", data={"old": "x", "new": NEW, "again": NEW}) for _ in range(3)]
    assert [answer.status_code for answer in tries] == [422, 422, 429]


def test_signing_out_everywhere(office: TestClient, elsewhere: TestClient) -> None:
    sign_in(elsewhere, Person("Ida Quarrie", "seven-slates-up"))
    kept = office.cookies[web_session.SESSION_COOKIE]
    assert office.post("/account/sign-out-everywhere").url.path == "/sign-in"
    assert elsewhere.get("/", follow_redirects=False).status_code == 303
    office.cookies.set(web_session.SESSION_COOKIE, kept)
    assert office.get("/", follow_redirects=False).status_code == 303


# The audit list


def test_what_was_done_is_told_in_sentences(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None, name="Mill")
    ana = assign(engine, add_person(engine, "installer", "Ana"), site_id)
    office.post(f"/sites/{site_id}/owner-link")
    office.post(f"/people/{_user(engine, ana.name).id}/sites/take-away", data={"site": site_id})
    with writing(engine) as session:
        audit.note(session, "token gateway", "roof.painted", site_id="gone", site=HOSTILE, colour="red")
    everything = text_of(office.get("/audit").text)
    for sentence in (
        "Ida Quarrie made a link for the owner.",
        "Ida Quarrie took the site away from Ana.",
        f"The token gateway: roof.painted (site {HOSTILE}, colour red)",
    ):
        assert sentence in everything
    assert HOSTILE not in office.get("/audit").text
    of_site = text_of(office.get(f"/sites/{site_id}/audit").text)
    assert "took the site away from Ana" in of_site
    assert "roof.painted" not in of_site
    assert "Europe/London" in of_site
    assert office.get("/sites/none/audit").status_code == 404


def test_the_list_is_paged(office: TestClient, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit_list, "PAGE_LENGTH", 2)
    with writing(engine) as session:
        for number in range(5):
            audit.note(session, "Ida", "account.enabled", name=f"Person {number}")
    found, href = [], "/audit"
    while href:
        page = office.get(href).text
        found.append(re.findall(r"Person (\d)", page))
        following = re.findall(r'rel="next" href="([^"]+)"', page)
        href = following[0] if following else ""
    assert found == [["4", "3"], ["2", "1"], ["0"]]
    assert 'href="/audit">' in page
    assert office.get("/audit?before=0").status_code == 422


def test_links_in_the_head_are_for_those_who_may_follow_them(
    office: TestClient, elsewhere: TestClient, engine: Engine
) -> None:
    sign_in(elsewhere, add_person(engine, "installer"))
    for path in ("/people", "/tokens", "/audit"):
        assert f'href="{path}"' in office.get("/").text
        assert f'href="{path}"' not in elsewhere.get("/").text
        assert elsewhere.get(path).status_code == 403
    assert 'href="/account"' in elsewhere.get("/").text


def test_a_link_says_nothing_of_who_is_signed_in(office: TestClient, engine: Engine) -> None:
    with writing(engine) as session:
        token = password_links.make(session, accounts.create_without_password(session, "Ana", "installer"))
    assert "Ida Quarrie" not in office.get(f"/password/{token}").text
