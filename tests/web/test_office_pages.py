"""A site's map by time, its findings' drawings, a unit among its neighbours: in words, and as the page has them."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.expect.site import Unit
from service.report import words
from service.web.pages import heat_view, view
from service.web.pages.neighbours import beside
from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

SITE, FOUND = sample.site(), sample.verification()


def unit(serial: str) -> Unit:
    return next(one for one in SITE.units if one.serial == serial)


@pytest.fixture
def office(client: TestClient, engine: Engine) -> TestClient:
    del client.headers["Authorization"]
    return sign_in(client, add_person(engine, "office"))


@pytest.fixture
def href(engine: Engine) -> str:
    return f"/sites/{add_site(engine, FOUND)}"


def alts(page: str) -> dict[str, str]:
    found = re.findall(r'<img class="chart" src="[^"]*/chart/([^"?]+)\.svg[^"]*" alt="([^"]*)"', page)
    return {name: unescape(alt).replace(words.NBSP, " ") for name, alt in found}


def test_each_chart_of_a_site_says_what_it_shows(office: TestClient, href: str) -> None:
    said = alts(office.get(href).text)
    assert set(said) == {"site", "heat", "evidence/0", "evidence/1", "evidence/2", "evidence/3"}
    assert "10 units without a fault" in said["heat"]
    assert f"{sample.DEAD} makes nothing" in said["heat"]
    assert said["evidence/0"].startswith(
        "Makes nothing. On Thu 7 May 2026 0 Wh were made of 2.11 kWh expected."
    )
    assert "As much as their neighbours did would have been 2.0" in said["evidence/0"]
    assert "nothing was heard, and 1.89 kWh were to be expected" in said["evidence/3"]


def test_every_chart_is_fetched_when_in_view_and_has_its_numbers_beside(
    office: TestClient, href: str
) -> None:
    page = office.get(href).text
    charts = re.findall(r'<img class="chart"[^>]*>', page)
    assert len(charts) == 6
    assert all('loading="lazy"' in chart for chart in charts)
    assert page.count('<table class="numbers">') == len(charts)
    assert page.count("<caption") == len(charts)
    assert len(page) < 110_000


def test_the_map_by_day_has_a_line_for_each_unit(office: TestClient, href: str) -> None:
    section = office.get(href).text.partition('id="by-time"')[2].partition("</section>")[0]
    lines = re.findall(r'<th scope="row" class="serial">(\d+)</th>((?:<td>[^<]*</td>)+)', section)
    assert [serial for serial, _cells in lines] == [one.serial for one in SITE.units]
    ratios = {serial: re.findall("<td>([^<]*)</td>", cells) for serial, cells in lines}
    assert ratios[sample.SILENT] == [words.EN_DASH] * sample.DAYS
    assert ratios[sample.DEAD][-1] == "0.00"
    assert float(ratios[sample.PART][0]) == pytest.approx(0.66, abs=0.03)


def test_a_unit_stands_among_those_around_it(office: TestClient, href: str) -> None:
    page = office.get(f"{href}/units/{sample.DEAD}").text
    section = page.partition('id="beside"')[2].partition("</section>")[0]
    # Row 1, column 4: its row has the columns 3 to 5, and so has the row below.
    serials = re.findall(r"6041882\d{4}(?=</)", section)
    assert serials == [f"6041882{n:04}" for n in (3, 4, 5, 8, 9, 10)]
    assert f'<strong class="serial">{sample.DEAD}</strong> (this unit)' in section
    assert section.count('class="day') == 6
    assert "in shade at times" in section


def test_units_without_a_place_or_neighbour_have_none() -> None:
    dead = unit(sample.DEAD)
    assert len(beside(SITE, FOUND, dead)) == 6
    homeless = replace(dead, row=None)
    units = tuple(homeless if one is dead else one for one in SITE.units)
    assert beside(replace(SITE, units=units), FOUND, homeless) == []


def test_too_many_units_are_cut_to_those_that_rank_lowest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heat_view, "MOST_ROWS", 3)
    rows = heat_view.row_labels(SITE, FOUND, view.unit_lines(FOUND))
    assert {row.serial for row in rows} == {sample.SILENT, sample.DEAD, sample.PART}
    assert [row.cause for row in rows] == ["nothing", "part lost", "silent"]
