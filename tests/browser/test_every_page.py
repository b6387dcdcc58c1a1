"""Every page at a phone's and a desk's width, light and dark: no serious fault of accessibility, nothing cut off."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from pydantic import SecretStr

from service.settings import Settings
from service.web.app import create_app
from tests.browser.house import FullHouse
from tests.browser.pages import LOOKS, Look, page_routes
from tests.browser.signing_in import signed_in_context
from tests.browser.test_pages_in_chromium import overflow_px

WIDTHS = (390, 1280)
SCHEMES = ("light", "dark")
ALL_OF_IT = (390, "light")
GRAVE = {"serious", "critical"}
"""axe-core's names for what keeps people from using a page."""

OPTIONS: dict[str, Any] = {"resultTypes": ["violations"]}
WHAT_CHANGES = ["color-contrast", "link-in-text-block", "target-size", "scrollable-region-focusable"]
FEW = {**OPTIONS, "runOnly": {"type": "rule", "values": WHAT_CHANGES}}
"""What another width or scheme may change; all else is examined once."""

EXAMINED = [look for look in LOOKS if not look.twin]


@pytest.fixture(scope="module")
def tabs(chromium: Any, rich: FullHouse) -> dict[str, Any]:
    """Return a tab for each who looks."""
    people = {"office": rich.office, "installer": rich.installer, "nobody": None}
    return {by: signed_in_context(chromium, rich.address, person).new_page() for by, person in people.items()}


def grave(tab: Any, options: dict[str, Any]) -> list[str]:
    """Return the grave faults that axe finds; a page gets its script, half a megabyte, once."""
    axe = Axe()
    if not tab.evaluate("'axe' in window"):
        tab.evaluate(axe.axe_script)
    found = tab.evaluate("options => axe.run(document, options)", options)["violations"]
    return [
        f"{v['id']}: {v['help']} at {[node['target'] for node in v['nodes']][:3]}"
        for v in found
        if v["impact"] in GRAVE
    ]


@pytest.mark.parametrize("look", EXAMINED, ids=[look.name for look in EXAMINED])
def test_page_is_open_to_everybody(tabs: dict[str, Any], rich: FullHouse, look: Look) -> None:
    tab = tabs[look.by]
    answer = tab.goto(look.address.format(**rich.values))
    assert answer.status == look.status
    wrong: dict[str, Any] = {}
    for width in WIDTHS:
        tab.set_viewport_size({"width": width, "height": 844})
        for scheme in SCHEMES:
            tab.emulate_media(color_scheme=scheme)
            wrong[f"{width} {scheme}"] = grave(tab, OPTIONS if (width, scheme) == ALL_OF_IT else FEW)
        wrong[f"{width} overflow"] = [f"{overflow_px(tab)} px"] if overflow_px(tab) > 0 else []
    assert {where: what for where, what in wrong.items() if what} == {}


def test_every_page_route_is_looked_at(rich: FullHouse) -> None:
    settings = Settings(database_url="sqlite:///not-opened", secret_key=SecretStr("0" * 32))
    assert page_routes(create_app(settings, engine=rich.engine)) == {look.route for look in LOOKS} - {""}
    assert len({look.name for look in LOOKS}) == len(LOOKS)


def test_a_grave_fault_is_found(chromium: Any) -> None:
    tab = chromium.new_page()
    pale = '<p style="color:#bbb;background:#fff">pale as chalk</p>'
    tab.set_content(f'<html lang="en"><title>t</title><main><img src="x">{pale}</main></html>')
    assert {line.partition(":")[0] for line in grave(tab, OPTIONS)} == {"image-alt", "color-contrast"}
    assert {line.partition(":")[0] for line in grave(tab, FEW)} == {"color-contrast"}
    tab.close()
