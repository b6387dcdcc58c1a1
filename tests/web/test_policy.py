"""What a browser is told and what it may not be made to do: policy, inline code, forms from elsewhere, cookies."""

from __future__ import annotations

import re
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response
from sqlalchemy import Engine
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from service.paths import templates_dir
from service.settings import Settings
from service.web.app import create_app
from service.web.pages.headers import POLICY, is_page
from tests.web.roles import House, routes
from tests.web.visit import add_person

pytestmark = pytest.mark.one_database

INLINE = re.compile(
    r"<script(?![^>]*\ssrc=)|<style|<[^>]*\sstyle\s*=|<[^>]*\son[a-z]+\s*=|javascript:", re.IGNORECASE
)
CALLED_FROM_ELSEWHERE = (
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "cross-site", "Origin": "http://roofs.example"},
    {"Origin": "http://elsewhere.example"},
    {"Origin": "https://roofs.example"},
    {"Origin": "http://roofs.example.elsewhere.example"},
    {"Origin": "null"},
)


def _pages(house: House, method: str) -> list[str]:
    app: Any = house.client.app
    found = [path for verb, path in routes(app.routes) if verb == method and is_page(path)]
    assert len(found) > 15
    return found


# Policy


def test_the_policy_lets_nothing_in_that_it_does_not_name() -> None:
    rules = dict(rule.split(" ", 1) for rule in POLICY.split("; "))
    assert rules["default-src"] == "'none'"
    assert {name for name, rule in rules.items() if rule != "'none'"} == {
        "script-src", "style-src", "img-src", "connect-src", "form-action",
    }  # fmt: skip
    assert not re.search(r"unsafe|\*|http", POLICY)


def test_every_page_goes_out_with_the_policy_and_without_inline_code(house: House) -> None:
    for path in _pages(house, "GET"):
        for role in ("office", "nobody", "owner", "stranger"):
            answer = house.ask(role, "GET", path)
            assert answer.headers["content-security-policy"] == POLICY, path
            assert answer.headers["x-content-type-options"] == "nosniff", path
            assert answer.headers["x-frame-options"] == "DENY", path
            if answer.headers.get("content-type", "").startswith("text/html"):
                assert not INLINE.search(answer.text), path


@pytest.mark.parametrize("template", sorted(templates_dir().rglob("*.html")), ids=lambda path: path.name)
def test_no_template_holds_inline_code(template: Any) -> None:
    assert INLINE.findall(template.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "inline",
    [
        "<script>", '<p style="color:red">', "<style>", '<body onload="x()">', "<p\nONCLICK = 'x'>",
        '<a href="javascript:x()">',
    ],
)  # fmt: skip
def test_the_scan_finds_inline_code(inline: str) -> None:
    assert INLINE.search(inline)


def test_the_scan_lets_files_and_words_pass() -> None:
    assert not INLINE.search('<script defer src="/static/x.js"></script><p class="style">once = style=</p>')


# Forms


def test_no_form_is_taken_from_elsewhere(house: House) -> None:
    before = house.everything()
    for path in _pages(house, "POST"):
        for headers in CALLED_FROM_ELSEWHERE:
            answer = house.ask("office", "POST", path, **headers)
            assert answer.status_code == 403, (path, headers)
            assert "This form came from elsewhere" in answer.text
    assert house.everything() == before


def test_pages_change_nothing_but_by_forms(house: House) -> None:
    app: Any = house.client.app
    verbs = {method for method, path in routes(app.routes) if is_page(path)}
    assert verbs == {"GET", "POST"}


# Cookies


@pytest.mark.parametrize(
    ("caller", "forwarded", "secure"),
    [
        ("127.0.0.1", "https", True),
        ("127.0.0.1", "http", False),
        ("203.0.113.9", "https", False),  # whose word is not taken
        ("127.0.0.1", "", False),
    ],
)
def test_a_trusted_proxy_says_that_there_is_https(
    settings: Settings, engine: Engine, caller: str, forwarded: str, *, secure: bool
) -> None:
    person = add_person(engine, "office")
    app = ProxyHeadersMiddleware(create_app(settings, engine=engine), settings.trusted_proxies)  # type: ignore[arg-type]
    with TestClient(app, client=(caller, 50000), follow_redirects=False) as client:
        headers = {"X-Forwarded-Proto": forwarded} if forwarded else {}
        form = {"name": person.name, "password": person.password}
        for answer in (
            client.post("/sign-in", data=form, headers=headers),
            client.get("/sign-in?lang=de", headers=headers),
        ):
            assert _flags(answer) >= {"HttpOnly", "SameSite=lax", "Path=/"}
            assert ("Secure" in _flags(answer)) is secure


def _flags(answer: Response) -> set[str]:
    return {part.strip().replace("=Lax", "=lax") for part in answer.headers["set-cookie"].split(";")[1:]}
