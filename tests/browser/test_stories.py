"""The stories from roof to office to owner, walked in a browser on a server that verifies in the background."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.demo.scenario import DemoSite
from tests.browser.signing_in import signed_in_context
from tests.browser.story import (
    DEAD_UNIT,
    DRAWN_AZIMUTH_DEG,
    MILLRACE,
    SADDLERS,
    Ground,
    from_now_on,
    ground,
    so_far,
    soon,
)

PHONE = {"viewport": {"width": 390, "height": 844}}


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Serve an empty house for all stories; each brings a site of its own."""
    with ground(tmp_path_factory.mktemp("stories")) as made:
        yield made


def words_of(tab: Any) -> str:
    """Return what the page says once it has come whole, with plain spaces."""
    tab.wait_for_load_state()
    return re.sub(r"\s+", " ", tab.locator("main").inner_text().replace("\xa0", " "))


def test_the_van_mends_a_dead_unit_and_the_readings_close_its_entry(chromium: Any, stage: Ground) -> None:
    now = datetime.now(UTC)
    site_id, dead = stage.new_site(MILLRACE, now), MILLRACE.serials[DEAD_UNIT]
    van = signed_in_context(chromium, stage.address, stage.installer, **PHONE).new_page()
    van.goto("/?week=all")
    van.get_by_role("link", name=MILLRACE.name).click()
    assert van.url.endswith(f"/sites/{site_id}/van")
    job = van.locator(f"#u-{dead}")
    assert "makes nothing" in words_of(van)
    assert "row 2, 2nd of 4" in job.inner_text().replace("\xa0", " ")
    job.locator("summary").first.click()
    job.get_by_label("Note").fill("The plug had come off behind the rail.")
    job.get_by_role("button", name="Mended").click()
    assert "said to be mended" in words_of(van)
    stage.send(site_id, from_now_on(MILLRACE, now, days=2))
    van.goto(f"/sites/{site_id}/mark?subject=unit:{dead}")
    soon(van, lambda: "closed by proof" in words_of(van))
    assert "The plug had come off behind the rail." in words_of(van)
    assert "the readings" in words_of(van)
    van.goto(f"/sites/{site_id}/van")
    assert "All right: what was mended is proven" in words_of(van)


def test_the_office_corrects_a_turned_plane_and_takes_it_back(chromium: Any, stage: Ground) -> None:
    site_id = stage.new_site(SADDLERS, datetime.now(UTC), planes=_drawn_wrongly(SADDLERS))
    office = signed_in_context(chromium, stage.address, stage.office).new_page()
    office.goto(f"/sites/{site_id}")
    assert "faces another way" in words_of(office) or "does not face as recorded" in words_of(office)
    office.get_by_role("button", name="Correct the record").first.click()
    assert "The record is corrected" in words_of(office)
    soon(office, lambda: "All 16 units make what they should" in words_of(office))
    office.get_by_role("button", name="Undo").first.click()
    assert "The record is as it was before" in words_of(office)
    soon(office, lambda: "does not face as recorded" in words_of(office))


def _drawn_wrongly(site: DemoSite) -> list[dict[str, Any]]:
    planes = site.record("2026-01-01")["planes"]
    return [
        {**plane, "azimuth_deg": DRAWN_AZIMUTH_DEG} if plane["name"] == "lane side" else plane
        for plane in planes
    ]


def _days_with_light(now: datetime) -> int:
    """Return on how many days Millrace has made energy: before sunrise today is not among them."""
    week = so_far(MILLRACE, now)
    first = week.start.astimezone(ZoneInfo(MILLRACE.timezone))
    made = [max(values) for values in zip(*week.energy_wh.values(), strict=True)]
    step = timedelta(minutes=week.interval_min)
    return len({(first + n * step).date() for n, wh in enumerate(made) if wh > 0})


def test_the_owner_reads_one_page_in_two_languages(chromium: Any, stage: Ground) -> None:
    now = datetime.now(UTC)
    site_id = stage.new_site(
        MILLRACE, now, name="Weir Cottage", contact={"name": "Ida Quarrie", "phone": "01632 960 418"}
    )
    office = signed_in_context(chromium, stage.address, stage.office).new_page()
    office.goto(f"/sites/{site_id}")
    office.get_by_role("button", name="Make the link").click()
    link = office.get_by_label("Link to the owner").input_value()
    owner = chromium.new_context(locale="en-GB", **PHONE).new_page()
    assert owner.goto(link).status == 200
    assert "No power comes from one of your 8 panels." in words_of(owner)
    assert re.search(r"[\d.]+ kWh made by your roof since", words_of(owner))
    assert owner.get_by_role("link", name="01632 960 418").get_attribute("href") == "tel:01632960418"
    # a job of its own sums the days, which may come after the site's verification
    soon(owner, lambda: owner.locator("tr").count() == 1 + _days_with_light(now))
    owner.locator("summary").click()
    assert owner.get_by_role("row").count() == 1 + _days_with_light(now)
    in_english = words_of(owner)
    assert re.search(r"\d\.\d+ kWh", in_english)
    owner.get_by_role("link", name="Deutsch").click()
    owner.locator("summary").click()
    assert owner.locator("html").get_attribute("lang") == "de"
    assert re.search(r"\d,\d+ kWh", words_of(owner))
    owner.get_by_role("link", name="English").click()
    owner.locator("summary").click()
    assert words_of(owner) == in_english
