"""The pages in a real browser: at a phone's and a desk's width, with and without script, in light and dark."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.browser.conftest import House, Visit
from tests.report import sample

PAGES = {
    "list": ("/", "Look at 1 of 3 sites"),
    "site": ("/sites/{faulty}", "Look at 4 of 14 units"),
    "day": ("/sites/{faulty}?day=2026-05-07", "Look at 4 of 14 units"),
    "healthy": ("/sites/{healthy}", "All 14 units make what they should"),
    "bare": ("/sites/{bare}", "No readings yet"),
    "unit": ("/sites/{faulty}/units/" + sample.SHADED, "In shade at times"),
    "van": ("/sites/{faulty}/van", "13 of 14 units heard"),
    "van-healthy": ("/sites/{healthy}/van", "14 of 14 units heard"),
    "missing": ("/nothing", "There is nothing here"),
}
BLACK_TO_WHITE = 3 * 255


def path_of(name: str, house: House) -> str:
    return PAGES[name][0].format(**vars(house))


def overflow_px(tab: Any) -> int:
    return int(tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.mark.parametrize("width", [390, 768, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_page_fits_its_width_and_answers_first(visit: Visit, house: House, name: str, width: int) -> None:
    tab = visit(width=width)
    tab.goto(path_of(name, house))
    assert overflow_px(tab) <= 0
    first = tab.get_by_role("heading").first
    assert first.evaluate("node => node.tagName") == "H1"
    assert first.inner_text().replace("\xa0", " ").replace("\n", " ").strip() == PAGES[name][1]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_blocked_missing_or_fetched_from_elsewhere(
    visit: Visit, house: House, name: str, scheme: str
) -> None:
    tab = visit(color_scheme=scheme)
    said: list[str] = []
    asked: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(path_of(name, house))
    expected = 1 if name == "missing" else 0  # the browser itself notes the 404
    assert len(said) == expected, said
    assert asked
    assert [url for url in asked if not url.startswith((house.address, "data:"))] == []


@pytest.mark.parametrize(("width", "look"), [(390, "narrow"), (1280, "wide")])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_chart_suits_width_and_scheme(visit: Visit, house: House, width: int, look: str, scheme: str) -> None:
    tab = visit(width=width, color_scheme=scheme)
    tab.goto(path_of("site", house))
    chart = tab.locator("img.chart").first
    chart.scroll_into_view_if_needed()
    # An idle network may also be one that waits for a busy server.
    chart.evaluate("image => image.decode()")
    assert chart.evaluate("image => image.naturalWidth > 0")
    shown = re.search(r"look=([\w-]+)", chart.evaluate("image => image.currentSrc"))
    assert shown
    assert shown.group(1) == (look if scheme == "light" else f"{look}-dark")


def test_dark_is_dark(visit: Visit, house: House) -> None:
    def brightness(scheme: str) -> int:
        tab = visit(color_scheme=scheme)
        tab.goto(path_of("van", house))
        colour = tab.evaluate("getComputedStyle(document.body).backgroundColor")
        return sum(int(part) for part in re.findall(r"\d+", colour))

    assert brightness("dark") < BLACK_TO_WHITE / 4
    assert brightness("light") > BLACK_TO_WHITE * 3 / 4


def test_every_cell_of_the_plan_is_on_the_phones_screen(visit: Visit, house: House) -> None:
    tab = visit(width=390)
    tab.goto(path_of("site", house))
    right_edges = tab.locator("a.cell").evaluate_all(
        "cells => cells.map(c => c.getBoundingClientRect().right)"
    )
    assert len(right_edges) == 14
    assert max(right_edges) <= 390


def test_everything_works_without_script(new_tab: Visit, house: House) -> None:
    tab = new_tab(java_script_enabled=False)
    tab.goto("/")
    tab.fill("#q", "kiln")
    tab.get_by_role("button", name="Find").click()
    tab.get_by_role("link", name="Kiln Cottage").click()
    tab.get_by_role("link", name="Thu 7 May", exact=False).click()
    assert "day=2026-05-07" in tab.url
    tab.get_by_role("link", name=re.compile("0004")).first.click()
    assert tab.locator("h1").inner_text() == "Makes nothing"
    tab.goto(path_of("site", house))
    tab.get_by_text("The same as numbers", exact=True).click()
    assert tab.get_by_role("cell", name="24.9").is_visible()
    tab.get_by_role("button", name="Sign out").click()
    assert tab.locator("h1").inner_text() == "Sign in"
    tab.goto("/")
    assert tab.url.endswith("/sign-in")


def test_the_owners_link_from_making_to_taking_back(new_tab: Visit, house: House) -> None:
    office = new_tab(java_script_enabled=False)
    office.goto(path_of("healthy", house))
    office.get_by_role("button", name="Make the link").click()
    link = office.get_by_label("Link to the owner").input_value()
    owner = new_tab(signed_in=False, java_script_enabled=False, viewport={"width": 390, "height": 844})
    assert owner.goto(link).status == 200
    assert overflow_px(owner) <= 0
    assert owner.get_by_role("heading").first.inner_text() == "Your roof makes what it should."
    assert owner.locator("svg.bars").is_visible()
    office.get_by_role("button", name="Take the link back").click()
    assert owner.goto(link).status == 404
