"""The owner's page on paper: one sheet, however long the roof has been watched and whatever is wrong with it."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.browser.conftest import House, Visit
from tests.browser.house import FullHouse


def pages_of(tab: Any, sheet: str) -> int:
    """Return how many sheets the page takes in print."""
    tab.emulate_media(media="print")
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", tab.pdf(format=sheet, print_background=True)))


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_owner_page_prints_to_one_sheet(chromium: Any, rich: FullHouse, sheet: str, language: str) -> None:
    tab = chromium.new_page(base_url=rich.address)
    tab.goto(f"/owner/{rich.values['owner_faulty']}?lang={language}")
    assert tab.locator(".lede").count() >= 3
    assert tab.locator("svg.bars .made").count() == 13
    assert pages_of(tab, sheet) == 1
    tab.close()


def test_a_long_page_takes_more_sheets(visit: Visit, house: House) -> None:
    tab = visit()
    tab.goto(f"/sites/{house.faulty}")
    assert pages_of(tab, "A4") > 1
    tab.emulate_media(media="screen")
