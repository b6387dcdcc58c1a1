"""The language of a page: as the address, an earlier choice or the browser says."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database


def language_of(client: TestClient, path: str = "/sign-in", **headers: str) -> str:
    page = client.get(path, headers=headers)
    assert page.status_code == 200
    return page.text.split('<html lang="')[1].split('"')[0]


def test_browser_then_choice_then_address(client: TestClient) -> None:
    assert language_of(client) == "en"
    assert language_of(client, **{"Accept-Language": "de-CH,de;q=0.9"}) == "de"
    assert language_of(client, "/sign-in?lang=de") == "de"
    assert language_of(client) == "de", "the choice is remembered"
    assert language_of(client, "/sign-in?lang=en") == "en"
    assert language_of(client, **{"Accept-Language": "de"}) == "en", "the choice goes before the browser"


def test_a_language_that_there_is_not_is_not_remembered(client: TestClient) -> None:
    page = client.get("/sign-in?lang=%22%3E")
    assert 'lang="en"' in page.text
    assert "yieldproof_language" not in page.headers.get("set-cookie", "")


def test_the_foot_leads_to_the_page_in_every_language_with_the_rest_of_the_address(
    client: TestClient,
) -> None:
    page = client.get("/sign-in?next=%2Fsites%2Fa%26b&lang=de").text
    assert 'href="?next=%2Fsites%2Fa%26b&amp;lang=en" lang="en" hreflang="en">English</a>' in page
    assert (
        'href="?next=%2Fsites%2Fa%26b&amp;lang=de" lang="de" hreflang="de" aria-current="true">Deutsch</a>'
        in page
    )


def test_an_address_of_many_fields_does_no_harm(client: TestClient) -> None:
    many = "&".join(f"a{i}=1" for i in range(500))
    assert client.get(f"/sign-in?{many}&lang=de").status_code == 200


def test_columns_for_programs_have_the_same_names_for_everybody(client: TestClient, engine: Engine) -> None:
    sign_in(client, add_person(engine, "office"))
    site = add_site(engine, sample.verification())
    read = {
        language: client.get(f"/sites/{site}/chart/ranking.csv", headers={"Accept-Language": language}).text
        for language in ("en", "de")
    }
    assert read["en"] == read["de"]
    assert "Performance ratio" in read["de"].splitlines()[0]
    assert "Gemessen" in client.get(f"/sites/{site}", headers={"Accept-Language": "de"}).text
