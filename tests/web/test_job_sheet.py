"""The job sheet: what is on it, that it fits a sheet, and that its QR code leads to the site when it is read."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from typing import Any

import pytest
import typst
import zxingcpp
from fastapi.testclient import TestClient
from PIL import Image
from sqlalchemy import Engine

from service.expect.site import Plane, Site, Unit
from service.report import paper
from service.settings import Settings
from service.store import sites
from service.store.database import reading
from service.web.app import create_app
from service.web.pages.job_sheet_view import JobSheet, as_values, job_sheet
from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

TEMPLATE = "van/job_sheet.typ"
LEAST_QR_MM = 25
"""Smallest side at arm's length; common practice is a tenth of the distance, no source."""


@pytest.fixture
def office(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Somebody from the office, signed in."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield sign_in(client, add_person(engine, "office"))


def sheet_of(site: Site, address: str | None = "12 Quarry Row") -> JobSheet:
    return job_sheet(site, address, "kq7 m2x", "https://roofs.example")


def with_units(count: int, columns: int) -> Site:
    """Return the sample site with one plane of so many units."""
    units = tuple(
        Unit(f"6041{i:07d}", "barn", "module", "inverter", row=1 + i // columns, column=1 + i % columns)
        for i in range(count)
    )
    return replace(sample.site(), planes=(Plane("barn", 30, 180),), units=units)


def read_codes(png: bytes) -> list[Any]:
    return list(zxingcpp.read_barcodes(Image.open(io.BytesIO(png)).convert("L")))


def pages(pdf: bytes) -> int:
    """Return how many pages the PDF says it has."""
    counts = re.findall(rb"/Type\s*/Pages\b.*?/Count\s+(\d+)", pdf, re.DOTALL)
    assert counts, "no page tree in plain text"
    return max(map(int, counts))


# On paper


@pytest.mark.parametrize("size", paper.SIZES)
def test_qr_code_on_the_paper_leads_to_the_site_and_is_large_enough(size: paper.Size) -> None:
    """zxing-cpp, another program's reader, reads what was printed."""
    dots_per_inch = 150
    png = paper.picture(TEMPLATE, as_values(sheet_of(sample.site())), size=size, dots_per_inch=dots_per_inch)
    (code,) = read_codes(png)
    assert code.text == "https://roofs.example/s/kq7m2x"
    assert code.ec_level in ("M", "Q", "H")
    side = abs(code.position.top_right.x - code.position.top_left.x)
    assert side / dots_per_inch * 25.4 >= LEAST_QR_MM


def test_qr_code_is_read_from_a_dirty_sheet() -> None:
    image = Image.open(io.BytesIO(paper.picture(TEMPLATE, as_values(sheet_of(sample.site()))))).convert("L")
    corners = zxingcpp.read_barcodes(image)[0].position
    blot = (corners.bottom_right.x - 28, corners.bottom_right.y - 28)
    image.paste(255, (*blot, blot[0] + 14, blot[1] + 14))
    assert zxingcpp.read_barcodes(image)[0].text == "https://roofs.example/s/kq7m2x"


@pytest.mark.parametrize(("count", "columns"), [(1, 1), (24, 6), (40, 10), (60, 20)])
@pytest.mark.parametrize("size", paper.SIZES)
def test_a_roof_fits_one_sheet(count: int, columns: int, size: paper.Size) -> None:
    assert pages(paper.pdf(TEMPLATE, as_values(sheet_of(with_units(count, columns))), size=size)) == 1


def test_a_large_roof_takes_more_sheets() -> None:
    values = as_values(sheet_of(with_units(400, 10)))
    assert pages(paper.pdf(TEMPLATE, values)) > 1
    with pytest.raises((ValueError, typst.TypstError)):
        paper.picture(TEMPLATE, values)


def test_names_are_data_and_no_markup() -> None:
    hostile = replace(sample.site(), name='#panic("x") *a* $b$ \\ " #{sys.inputs}')
    made = paper.pdf(TEMPLATE, as_values(sheet_of(hostile, address="@x <y> `z` // w")))
    assert made.startswith(b"%PDF-")


def test_words_are_the_same_on_page_and_paper(office: TestClient, engine: Engine) -> None:
    page = unescape(re.sub(r"</?strong>", "", office.get(f"/sites/{add_site(engine, None)}/job-sheet").text))
    for caution in as_values(sheet_of(sample.site()))["cautions"]:
        assert "".join(part["text"] for part in caution) in page


# Over HTTP


def test_page_has_all_that_the_crew_needs(office: TestClient, engine: Engine) -> None:
    record = {**sample.record(), "address": "12 Quarry Row, Fellbridge"}
    site_id = add_site(engine, None, record=record)
    with reading(engine) as session:
        site = sites.get(session, site_id)
    assert site is not None
    page = office.get(f"/sites/{site_id}/job-sheet").text
    for unit in sample.site().units:
        assert unit.serial in page
    for part in (
        "12 Quarry Row, Fellbridge",
        "roofs.example/go",
        f"{site.code[:3]} {site.code[3:]}",
        "is live",
    ):
        assert part in page
    assert f'src="/sites/{site_id}/qr.svg"' in page


def test_a_record_without_address_has_its_position() -> None:
    assert sheet_of(sample.site(), address=None).where == "At 53.80000, -1.55000 (latitude, longitude)"


def test_pdf_is_one_and_says_whose(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None, name="Kiln Cottage / \u00e4\u00f6")
    for size in paper.SIZES:
        answer = office.get(f"/sites/{site_id}/job-sheet.pdf?size={size}")
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.headers["content-disposition"] == 'inline; filename="job-sheet-kiln-cottage.pdf"'
        assert pages(answer.content) == 1
    assert office.get(f"/sites/{site_id}/job-sheet.pdf?size=a3").status_code == 422


@pytest.mark.parametrize("path", ["job-sheet", "job-sheet.pdf", "qr.svg"])
def test_only_for_those_who_may_see_the_site(office: TestClient, engine: Engine, path: str) -> None:
    site_id = add_site(engine, None)
    assert office.get(f"/sites/{site_id}/{path}").status_code == 200
    assert office.get(f"/sites/none/{path}").status_code == 404
    office.cookies.clear()
    assert office.get(f"/sites/{site_id}/{path}", follow_redirects=False).status_code == 303
