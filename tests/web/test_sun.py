"""A shaded unit's page: the sun's paths, what stands before them, in numbers too, and the season it costs most."""

from __future__ import annotations

import re
from html import unescape
from xml.etree import ElementTree

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database


@pytest.fixture
def office(client: TestClient, engine: Engine) -> TestClient:
    return sign_in(client, add_person(engine, "office"))


def charts_on(page: str) -> list[tuple[str, str]]:
    """Return address and text alternative of the page's charts."""
    found = re.findall(r'<img class="chart" src="([^"]+)" alt="([^"]+)"', page)
    return [(unescape(address), unescape(alt)) for address, alt in found]


def test_the_shaded_units_page_draws_the_sun_and_says_it_in_words_and_numbers(
    office: TestClient, engine: Engine
) -> None:
    site_id = add_site(engine, sample.verification())
    page = office.get(f"/sites/{site_id}/units/{sample.SHADED}").text
    address, alt = next(c for c in charts_on(page) if "/chart/sun/" in c[0])
    assert alt.endswith("what stands before them in the south-west: it reaches 50\u00b0.")
    assert sample.SEASON in unescape(page)
    rows = re.findall(
        r"<tr><th scope=\"row\">([^<]+)</th><td>([^<]+)</td><td>([^<]+)</td><td>([^<]+)</td></tr>", page
    )
    assert ("225\u00b0 to 230\u00b0", "south-west", "50\u00b0", "seen") in rows
    assert ("230\u00b0 to 235\u00b0", "south-west", "46\u00b0", "at least") in rows
    assert ("220\u00b0 to 225\u00b0", "south-west", "50\u00b0", "guessed") in rows
    answer = office.get(address)
    assert answer.headers["content-type"] == "image/svg+xml"
    assert ElementTree.fromstring(answer.text).tag.endswith("svg")  # noqa: S314 - our own chart
    assert "reaches 50" in answer.text
    again = office.get(address, headers={"If-None-Match": answer.headers["ETag"]})
    assert again.status_code == 304


@pytest.mark.parametrize("serial", [sample.DEAD, "nobody"])
def test_a_unit_without_shade_has_no_such_chart(office: TestClient, engine: Engine, serial: str) -> None:
    site_id = add_site(engine, sample.verification())
    assert "/chart/sun/" not in office.get(f"/sites/{site_id}/units/{serial}").text
    assert office.get(f"/sites/{site_id}/chart/sun/{serial}.svg").status_code == 404


def test_a_site_without_readings_has_no_such_chart(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    assert office.get(f"/sites/{site_id}/chart/sun/{sample.SHADED}.svg").status_code == 404


def test_the_chart_is_for_those_who_are_signed_in(client: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.verification())
    answer = client.get(f"/sites/{site_id}/chart/sun/{sample.SHADED}.svg", follow_redirects=False)
    assert answer.status_code == 303
