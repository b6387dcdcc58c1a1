"""Rankings and charts as files: who gets them, what is in them, and that every chart of a page has its four forms."""

from __future__ import annotations

import csv
import re
from datetime import datetime
from html import unescape
from io import BytesIO, StringIO
from typing import Any
from urllib.parse import unquote

import pytest
from fastapi.testclient import TestClient
from openpyxl import load_workbook
from PIL import Image
from sqlalchemy import Engine

from service.report.sheets import CSV_TYPE, XLSX_TYPE
from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

TYPES = {"svg": "image/svg+xml", "png": "image/png", "csv": CSV_TYPE, "xlsx": XLSX_TYPE}


@pytest.fixture
def visitor(client: TestClient) -> TestClient:
    del client.headers["Authorization"]
    return client


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    return sign_in(visitor, add_person(engine, "office"))


@pytest.fixture
def href(engine: Engine) -> str:
    return f"/sites/{add_site(engine, sample.verification())}"


def rows_of(answer: Any) -> list[list[str]]:
    return list(csv.reader(StringIO(answer.content.decode("utf-8-sig"), newline="")))


def sheet_of(answer: Any) -> Any:
    return load_workbook(BytesIO(answer.content)).worksheets[0]


def file_links(page: str) -> list[str]:
    return [
        unescape(link)
        for p in re.findall(r'<p class="files">.*?</p>', page)
        for link in re.findall(r'href="([^"]+)"', p)
    ]


def test_every_file_that_a_page_offers_is_there(office: TestClient, href: str) -> None:
    paths = ("/", href, f"{href}/units/{sample.DEAD}", f"{href}/units/{sample.SHADED}")
    offered = {link for path in paths for link in file_links(office.get(path).text)}
    assert {link.partition("?")[0].rpartition(".")[2] for link in offered} == set(TYPES)
    for link in sorted(offered):
        answer = office.get(link)
        assert answer.status_code == 200, link
        assert answer.headers["content-type"] == TYPES[link.partition("?")[0].rpartition(".")[2]], link


def test_every_chart_of_a_page_is_offered_in_four_forms(office: TestClient, href: str) -> None:
    for path in (href, f"{href}/units/{sample.SHADED}"):
        page = office.get(path).text
        charts = re.findall(r'<img class="chart" src="([^"?]+)\.svg', page)
        assert charts
        assert {f"{chart}.{form}" for chart in charts for form in TYPES} <= set(file_links(page))


def test_ranking_as_csv_and_xlsx_says_what_was_worked_out(office: TestClient, href: str) -> None:
    heading, *rows = rows_of(office.get(f"{href}/chart/ranking.csv"))
    assert [row[heading.index("Rank")] for row in rows] == [str(n) for n in range(1, 15)]
    by_serial = {row[heading.index("Unit")]: row for row in rows}
    dead = next(u for u in sample.verification().units if u.serial == sample.DEAD)
    assert float(by_serial[sample.DEAD][heading.index("Measured [Wh]")]) == pytest.approx(
        dead.measured_wh, abs=0.05
    )
    assert by_serial[sample.SILENT][heading.index("Measured [Wh]")] == ""
    assert by_serial[sample.DEAD][heading.index("Cause")] == "makes nothing"
    sheet = sheet_of(office.get(f"{href}/chart/ranking.xlsx"))
    cells = [list(row) for row in sheet.iter_rows(values_only=True)]
    assert cells[0] == heading
    assert [str(value or "") for value in cells[2]] == rows[1]


def test_a_charts_numbers_are_those_of_the_page(office: TestClient, href: str) -> None:
    sheet = sheet_of(office.get(f"{href}/chart/units/{sample.PART}.xlsx"))
    days = [row[0].value for row in sheet.iter_rows(min_row=2)]
    assert days[0] == datetime.fromisoformat("2026-05-04")
    assert len(days) == sample.DAYS
    total = sum(row[1].value for row in sheet.iter_rows(min_row=2))
    part = next(u for u in sample.verification().units if u.serial == sample.PART)
    assert total == pytest.approx(part.measured_wh, abs=0.5)
    outline = rows_of(office.get(f"{href}/chart/sun/{sample.SHADED}.csv"))
    assert outline[2] == ["225.0", "230.0", "south-west", "50.0", "seen"]


def test_png_is_twice_the_svg_and_dark_where_asked_for(office: TestClient, href: str) -> None:
    wide, dark = (
        Image.open(BytesIO(office.get(f"{href}/chart/site.png?look={look}").content))
        for look in ("wide", "wide-dark")
    )
    svg = office.get(f"{href}/chart/site.svg").text
    width, height = (int(side) for side in re.findall(r'<svg [^>]*width="(\d+)" height="(\d+)"', svg)[0])
    assert wide.size == dark.size == (2 * width, 2 * height)
    assert min(wide.convert("RGB").getpixel((2, 2))) > 200
    assert max(dark.convert("RGB").getpixel((2, 2))) < 50


def test_a_picture_is_asked_for_again_by_its_version_form_and_language(office: TestClient, href: str) -> None:
    etags = {office.get(f"{href}/chart/site.{form}").headers["etag"] for form in ("svg", "png")}
    etags.add(office.get(f"{href}/chart/site.svg?lang=de").headers["etag"])
    assert len(etags) == 3
    for etag in etags:
        again = office.get(f"{href}/chart/site.png?lang=en", headers={"If-None-Match": etag})
        assert again.status_code == (304 if "png" in etag else 200)


def test_files_are_named_after_the_site(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.verification(), name='M\u00fchle "A/B" \u2013 1')
    said = office.get(f"/sites/{site_id}/chart/ranking.csv").headers["content-disposition"]
    assert 'filename="Muhle-A-B-1-ranking.csv"' in said
    assert unquote(said.partition("filename*=UTF-8''")[2]) == "M\u00fchle -A-B- \u2013 1-ranking.csv"


def test_the_list_as_a_file_holds_all_pages_of_what_was_asked_for(office: TestClient, engine: Engine) -> None:
    for number in range(30):
        add_site(engine, sample.healthy() if number else sample.verification(), name=f"Terrace {number:02}")
    add_site(engine, None, name="=1+1")
    heading, *rows = rows_of(office.get("/sites.csv?week=all"))
    assert len(rows) == 31
    assert rows[0][0] == "Terrace 00"
    assert float(rows[0][heading.index("Lost a day [Wh]")]) > 1000
    assert "'=1+1" in {row[0] for row in rows}
    assert len(rows_of(office.get("/sites.csv?week=all&state=attention"))) == 2
    assert len(rows_of(office.get("/sites.csv"))) == 1, "none is in its first week"
    sheet = sheet_of(office.get("/sites.xlsx?week=all&q=terrace"))
    assert sheet.max_row == 31
    assert sheet["F2"].is_date


@pytest.mark.parametrize(
    "path",
    [
        "ranking.csv",
        "chart/site.png",
        "chart/units/none.svg",
        "chart/sun/60418820001.svg",
        "chart/x.svg",
        "chart/site/x.svg",
    ],
)
def test_what_is_not_there_is_not_found(office: TestClient, engine: Engine, href: str, path: str) -> None:
    bare = f"/sites/{add_site(engine, None)}"
    assert office.get(f"{bare}/{path}").status_code == 404
    assert office.get(f"/sites/none/{path}").status_code == 404
    if path not in ("chart/ranking.csv", "chart/site.png"):
        assert office.get(f"{href}/{path}").status_code == 404


def test_files_are_for_those_who_may_see_the_site(visitor: TestClient, engine: Engine, href: str) -> None:
    paths = [f"{href}/chart/ranking.csv", f"{href}/chart/site.png", "/sites.csv"]
    for path in paths:
        assert visitor.get(path, follow_redirects=False).status_code == 303, path
    stranger = sign_in(visitor, add_person(engine, "installer"))
    assert [stranger.get(path).status_code for path in paths] == [404, 404, 200]
    assert len(rows_of(stranger.get("/sites.csv?week=all"))) == 1
