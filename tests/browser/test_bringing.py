"""A file brought with script on: sent in the background, and what is wrong is said on the page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.store import sites
from service.store.database import writing
from tests.browser.conftest import House, Visit
from tests.report import sample
from tests.web.bring import exported
from tests.web.visit import add_site


def _choose(tab: Any, body: bytes) -> None:
    tab.set_input_files("#file", {"name": "may.csv", "mimeType": "text/csv", "buffer": body})
    tab.click("form.bring button")


@pytest.fixture
def site_id(house: House) -> Iterator[str]:
    """A site of its own, which is gone again afterwards: the house is everybody's."""
    made = add_site(house.engine, None, name="Gravel Row", record=sample.record())
    yield made
    with writing(house.engine) as session:
        site = sites.get(session, made)
        assert site is not None
        sites.delete(session, site)


def test_file_goes_from_the_site_page_to_its_ranking(site_id: str, new_tab: Visit) -> None:
    tab = new_tab(viewport={"width": 390, "height": 844})
    tab.goto(f"/sites/{site_id}")
    _choose(tab, b"")
    tab.locator("[role=alert]").wait_for()
    assert "No file came" in tab.inner_text("main")
    _choose(tab, exported())
    tab.wait_for_url("**/exports/1")
    assert tab.inner_text("h1") == "The file leaves one thing open"
    tab.click("text=the start: value made after it")
    tab.click("text=Go on")
    tab.click("text=Store these readings")
    assert "256 readings are new." in tab.inner_text("main")
    tab.click("text=To the ranking")
    tab.locator("#ranking").wait_for()
    assert tab.url.endswith(f"/sites/{site_id}#ranking")
    tab.context.close()
