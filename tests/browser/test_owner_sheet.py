"""The owner's page on paper: one sheet, however long the roof has been watched and whatever is wrong with it."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

import pytest

from service.jobs.punch_list import Mark, mark, put_on_list
from service.jobs.verification import MADE_BY
from service.store import site_days, sites
from service.store.database import writing
from service.store.site_days import Day
from service.store.tables import Site
from tests.browser.conftest import House, Visit
from tests.report import sample
from tests.web.visit import add_site

CONTACT = {
    "name": "Brackenridge & Daughters, roof electricians and chimney sweeps",
    "phone": "+44 1632 960 417",
    "email": "a.rather.long.address.of.the.whole.office@brackenridge.example",
}


def pages_of(tab: Any, sheet: str) -> int:
    """Return how many sheets the page takes in print."""
    tab.emulate_media(media="print")
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", tab.pdf(format=sheet, print_background=True)))


@pytest.fixture(scope="module")
def crowded(house: House) -> str:
    """Return the link to a roof with three years of days, every kind of entry, shade and a long contact."""
    name = "Station House with a name that goes on and on and on, and its two stables besides"
    found = sample.verification()
    record = {**sample.record(), "commissioned_on": "2023-05-01", "contact": CONTACT}
    site_id = add_site(house.engine, found, name=name, record=record)
    days = [Day(date(2023, 5, 1) + timedelta(n), 10_000, 10_500, 11_000, "array") for n in range(1096)]
    put_on_list(house.engine, site_id, found, by="Ida Quarrie")
    for subject, said in (("unit:" + sample.DEAD, "mended"), ("unit:" + sample.PART, "left")):
        mark(house.engine, site_id, found, Mark(subject, said, "a note"), by="Ida Quarrie")
    with writing(house.engine) as session:
        site_days.keep(session, site_id, days, MADE_BY)
        site_days.want(session, site_id, [date(2023, 6, 1)])
        token = sites.make_owner_link(session, session.get_one(Site, site_id))
    return f"/owner/{token}"


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_owner_page_prints_to_one_sheet(new_tab: Visit, crowded: str, sheet: str, language: str) -> None:
    tab = new_tab(signed_in=False)
    tab.goto(f"{crowded}?lang={language}")
    assert tab.locator(".lede").count() >= 3
    assert tab.locator("svg.bars .made").count() == 13
    assert pages_of(tab, sheet) == 1


def test_a_long_page_takes_more_sheets(visit: Visit, house: House) -> None:
    tab = visit()
    tab.goto(f"/sites/{house.faulty}")
    assert pages_of(tab, "A4") > 1
    tab.emulate_media(media="screen")
