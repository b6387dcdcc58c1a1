"""A roof plan built in a real browser: by keyboard alone from empty site to last unit, by thumb, without script."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.conftest import House, Visit
from tests.browser.test_pages_in_chromium import overflow_px

ROWS, COLUMNS = 4, 5
SERIALS = [f"7730150042{i:02}" for i in range(1, 21)]
OTHERS = [f"7730150077{i:02}" for i in range(1, 41)]
"""A serial that another site has is warned of: each test that saves has its own."""
SMALLEST_TARGET_PX = 44
"""Smallest side of a touch target; WCAG 2.2, success criterion 2.5.5 (level AAA)."""

BEFORE_THE_PLAN = (
    "Weir House", "53.8", "-1.55", "60", "Europe/London", "", "south roof", "180", "35", str(ROWS), str(COLUMNS),
)  # fmt: skip
FIELDS = (
    *("name", "latitude", "longitude", "elevation_m", "timezone", "commissioned_on"),
    *(f"planes.0.{name}" for name in ("name", "azimuth_deg", "tilt_deg", "rows", "columns")),
)
TYPES = {
    "module_types.0.name": "module",
    "module_types.0.pmax_w": "400",
    "inverter_types.0.name": "inverter",
    "inverter_types.0.ac_rated_w": "350",
}


def focused(tab: Any) -> str:
    return str(tab.evaluate("document.activeElement.name || document.activeElement.id"))


def tab_to(tab: Any, name: str, value: str = "") -> None:
    """Go on with the keyboard until the field of that name (a button: of that value) has the focus."""
    script = "[document.activeElement.name, document.activeElement.value, document.activeElement.id]"
    for _ in range(120):
        found = tab.evaluate(script)
        if name in (found[0], found[2]) and value in ("", found[1]):
            return
        tab.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not come to {name}")


def enter(tab: Any, name: str, text: str) -> None:
    tab_to(tab, name)
    tab.keyboard.press("Control+A")
    tab.keyboard.type(text)


def begin_by_keyboard(tab: Any) -> None:
    """Fill in the form of a new site from the first field to the last, and send it."""
    tab.goto("/sites/new")
    for name, text in (*zip(FIELDS, BEFORE_THE_PLAN, strict=True), *TYPES.items()):
        if text:
            enter(tab, name, text)
    tab.keyboard.press("Enter")
    tab.wait_for_url(re.compile(r"/sites/\w+/plan$"))


def begin(tab: Any, house: House) -> None:
    """Send the same form without typing, for tests of what comes after it."""
    form = {**dict(zip(FIELDS, BEFORE_THE_PLAN, strict=True)), **TYPES}
    answer = tab.request.post("/sites/new", form=form, headers={"Origin": house.address})
    assert re.search(r"/sites/\w+/plan$", answer.url), answer.text()
    tab.goto(answer.url)


def grid(tab: Any) -> dict[str, str]:
    """Return what stands in the cells, by row and column, of a page that has come whole."""
    tab.wait_for_load_state()
    found = tab.locator('.grid-of-serials input[type="text"]').evaluate_all(
        "cells => cells.map(c => [c.name, c.value])"
    )
    return {name.removeprefix("s.0."): value for name, value in found}


def along_rows(serials: list[str]) -> dict[str, str]:
    places = [f"{row}.{column}" for row in range(1, ROWS + 1) for column in range(1, COLUMNS + 1)]
    return dict(zip(places, serials, strict=False))


def exchanged(plan: dict[str, str], one: str, other: str) -> dict[str, str]:
    return {**plan, one: plan[other], other: plan[one]}


def record_of(tab: Any) -> dict[str, Any]:
    found = re.search(r"/sites/(\w+)", tab.url)
    assert found
    answer = tab.request.get(f"/sites/{found[1]}/record.json")
    return dict(answer.json())


def kept(tab: Any) -> dict[str, str]:
    return {f"{u['row']}.{u['column']}": u["serial"] for u in record_of(tab)["units"]}


@pytest.fixture
def tab(new_tab: Visit) -> Iterator[Any]:
    opened = new_tab(viewport={"width": 1280, "height": 900})
    yield opened
    opened.context.close()


def test_twenty_units_are_built_by_keyboard_in_one_go(tab: Any) -> None:
    begin_by_keyboard(tab)
    assert focused(tab) == "s.0.1.1"
    for i, serial in enumerate(SERIALS):
        if i == 7:  # the label before is scanned once more
            tab.keyboard.type(SERIALS[6])
            tab.keyboard.press("Enter")
            assert focused(tab) == "s.0.2.3"
            said = tab.locator('[id="said-0.2.3"]')
            assert said.text_content() == "also at south roof, row 2, column 2; correct one of the two"
            assert grid(tab)["2.3"] == SERIALS[6]
        tab.keyboard.type(serial)
        tab.keyboard.press("Tab" if i % 2 else "Enter")
    assert grid(tab) == along_rows(SERIALS)
    tab_to(tab, "do", "save")
    tab.keyboard.press("Enter")
    tab.get_by_text("Saved.").wait_for()
    assert kept(tab) == along_rows(SERIALS)

    tab_to(tab, "s.0.1.1")
    tab.keyboard.press("Control+Enter")
    assert SERIALS[0] in tab.locator("#state").inner_text()
    for key in ("ArrowDown", "ArrowRight", "ArrowRight"):
        tab.keyboard.press(key)
    tab.keyboard.press("Control+Enter")
    swapped = exchanged(along_rows(SERIALS), "1.1", "2.3")
    assert grid(tab) == swapped
    tab_to(tab, "do", "save")
    tab.keyboard.press("Enter")
    tab.get_by_text("2 units moved").wait_for()
    assert kept(tab) == swapped

    for _ in range(120):
        if tab.evaluate("document.activeElement.textContent") == "Undo":
            break
        tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    tab.get_by_text("Undone:").wait_for()
    assert kept(tab) == along_rows(SERIALS)
    assert grid(tab) == along_rows(SERIALS)
    assert {u["branch"] for u in record_of(tab)["units"]} == {"A"}


def test_the_same_without_script(new_tab: Visit) -> None:
    tab = new_tab(java_script_enabled=False, viewport={"width": 390, "height": 844})
    begin_by_keyboard_without_script(tab)
    for i, serial in enumerate(OTHERS[:20]):
        cell = tab.locator("input[autofocus]")
        if i == 7:
            cell.fill(OTHERS[6])
            cell.press("Enter")
            tab.get_by_text("also at south roof, row 2, column 2; correct one of the two").wait_for()
            cell = tab.locator("input[autofocus]")
            assert cell.input_value() == OTHERS[6]
        cell.fill(serial)
        cell.press("Enter")
    assert grid(tab) == along_rows(OTHERS)
    tab.get_by_role("button", name="Save", exact=True).click()
    assert kept(tab) == along_rows(OTHERS)
    tab.get_by_text("Move a unit, or let two change places").click()
    tab.get_by_label("Unit", exact=True).select_option("0.1.1")
    tab.locator('[name="m.row"]').fill("2")
    tab.locator('[name="m.column"]').fill("3")
    tab.get_by_role("button", name="Move it there").click()
    tab.get_by_role("button", name="Save", exact=True).click()
    assert kept(tab) == exchanged(along_rows(OTHERS), "1.1", "2.3")
    tab.get_by_role("button", name="Undo").click()
    assert kept(tab) == along_rows(OTHERS)
    tab.context.close()


def begin_by_keyboard_without_script(tab: Any) -> None:
    tab.goto("/sites/new")
    for name, text in (*zip(FIELDS, BEFORE_THE_PLAN, strict=True), *TYPES.items()):
        tab.locator(f'[name="{name}"]').fill(text)
    tab.locator('[name="inverter_types.0.ac_rated_w"]').press("Enter")
    assert re.search(r"/sites/\w+/plan$", tab.url)


@pytest.mark.parametrize(
    ("order", "cells"),
    [
        ("columns", ["s.0.4.1", "s.0.3.1", "s.0.2.1", "s.0.1.1", "s.0.4.2"]),
        ("snake", ["s.0.1.5", "s.0.2.5", "s.0.2.4"]),
    ],
)
def test_enter_follows_the_chosen_order(tab: Any, house: House, order: str, cells: list[str]) -> None:
    begin(tab, house)
    tab.locator("#order").select_option(order)
    tab.locator(f'[name="{cells[0]}"]').focus()
    for i, cell in enumerate(cells):
        assert focused(tab) == cell
        tab.keyboard.type(f"x{i}")
        tab.keyboard.press("Enter")


def test_arrow_keys_go_to_the_cell_beside_and_leave_typing_alone(tab: Any, house: House) -> None:
    begin(tab, house)
    tab.keyboard.type("abc")
    tab.keyboard.press("ArrowLeft")
    tab.keyboard.type("x")
    assert grid(tab)["1.1"] == "abxc"
    tab.keyboard.press("End")
    tab.keyboard.press("ArrowRight")
    assert focused(tab) == "s.0.1.2"
    tab.keyboard.press("ArrowDown")
    assert focused(tab) == "s.0.2.2"
    tab.keyboard.press("ArrowLeft")
    tab.keyboard.press("ArrowUp")
    assert focused(tab) == "s.0.1.1"


def test_a_dead_battery_loses_nothing(tab: Any, house: House) -> None:
    begin(tab, house)
    for serial in SERIALS[:3]:
        tab.keyboard.type(serial)
        tab.keyboard.press("Enter")
    tab.keyboard.type("half a ser")
    assert tab.locator("#state").inner_text() == "Not saved yet; kept on this device."
    address = tab.url
    tab.goto("about:blank")
    tab.goto(address)
    assert list(grid(tab).values())[:4] == [*SERIALS[:3], "half a ser"]
    tab.get_by_text("Entries that were kept on this device and not saved are filled in again.").wait_for()
    tab.get_by_role("button", name="Discard them").click()
    assert set(grid(tab).values()) == {""}


def test_rows_added_before_the_battery_died_are_taken_up_again(tab: Any, house: House) -> None:
    begin(tab, house)
    tab.keyboard.type(OTHERS[20])
    tab.get_by_text("Rows and columns of this plane").click()
    tab.get_by_role("button", name="Add a row below").click()
    tab.locator('[name="s.0.5.1"]').fill(OTHERS[21])
    address = tab.url
    tab.goto("about:blank")
    tab.goto(address)
    tab.get_by_role("button", name="Take them up").click()
    tab.locator('[name="s.0.5.1"]').wait_for()
    assert (grid(tab)["1.1"], grid(tab)["5.1"]) == (OTHERS[20], OTHERS[21])
    tab.get_by_role("button", name="Save", exact=True).click()
    tab.get_by_text("Saved.").wait_for()
    assert tab.locator("#kept").is_hidden()
    assert kept(tab) == {"1.1": OTHERS[20], "5.1": OTHERS[21]}


def test_without_a_connection_nothing_is_sent_and_nothing_lost(tab: Any, house: House) -> None:
    begin(tab, house)
    tab.keyboard.type(OTHERS[24])
    tab.context.set_offline(True)
    tab.get_by_role("button", name="Save", exact=True).click()
    tab.get_by_text("No connection: not sent yet.").wait_for()
    assert grid(tab)["1.1"] == OTHERS[24]
    tab.context.set_offline(False)
    tab.get_by_role("button", name="Save", exact=True).click()
    tab.get_by_text("Saved.").wait_for()
    assert kept(tab) == {"1.1": OTHERS[24]}


def test_a_thumb_picks_up_and_puts_down(new_tab: Visit, house: House) -> None:
    tab = new_tab(viewport={"width": 390, "height": 844}, has_touch=True)
    begin(tab, house)
    for serial in OTHERS[28:30]:
        tab.keyboard.type(serial)
        tab.keyboard.press("Enter")
    tab.locator('[name="s.0.1.1"]').tap()
    tab.get_by_role("button", name="Pick up").tap()
    tab.locator('[name="s.0.3.1"]').tap()
    tab.get_by_role("button", name="Put down here").tap()
    assert (grid(tab)["1.1"], grid(tab)["3.1"]) == ("", OTHERS[28])
    tab.get_by_role("button", name="Save, see the site").tap()
    tab.wait_for_url(re.compile(r"/sites/\w+$"))
    assert kept(tab) == {"1.2": OTHERS[29], "3.1": OTHERS[28]}
    tab.context.close()


def test_on_a_phone_the_cell_to_fill_is_in_sight(new_tab: Visit, house: House) -> None:
    tab = new_tab(viewport={"width": 390, "height": 700})
    begin(tab, house)
    for i in range(ROWS * COLUMNS - 1):
        tab.keyboard.type(f"x{i}")
        tab.keyboard.press("Enter")
        seen = tab.evaluate(
            "[document.activeElement.getBoundingClientRect(), document.querySelector('.bar').getBoundingClientRect()]"
            ".map(r => [r.left, r.right, r.top, r.bottom])"
        )
        (left, right, top, bottom), (_, _, bar, _) = seen
        assert left >= 0, i
        assert right <= 390, i
        assert 0 <= top < bottom <= bar, i
    tab.context.close()


def test_a_spreadsheets_cells_are_pasted_looked_over_and_stored(tab: Any, house: House) -> None:
    begin(tab, house)
    tab.get_by_role("link", name="Paste or read a file").click()
    tab.get_by_label("Cells of a spreadsheet").fill("x1\tx2\nx3\t\n")
    tab.get_by_role("button", name="Show what it would change").last.click()
    tab.wait_for_load_state()
    assert tab.get_by_role("row").count() == 3
    tab.get_by_role("button", name="Store this change").click()
    tab.get_by_text("Saved.").wait_for()
    assert kept(tab) == {"1.1": "x1", "1.2": "x2", "2.1": "x3"}


@pytest.mark.parametrize(
    "path", ["/sites/new", "/sites/{faulty}/edit", "/sites/{faulty}/plan", "/sites/{faulty}/plan/paste"]
)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_fit_a_phone_with_targets_for_thumbs_and_load_nothing_from_elsewhere(
    visit: Visit, house: House, path: str, scheme: str
) -> None:
    tab = visit(width=390, color_scheme=scheme)
    said: list[str] = []
    asked: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(path.format(**vars(house)))
    assert overflow_px(tab) <= 0
    assert said == []
    assert [url for url in asked if not url.startswith((house.address, "data:"))] == []
    targets = tab.locator(
        "main .record button:visible:not(.default), main .record input:visible, main .record select:visible"
    )
    small = targets.evaluate_all(
        "all => all.map(t => [t.name, t.closest('label') || t])"
        ".map(([n, t]) => [n, Math.min(t.getBoundingClientRect().width, t.getBoundingClientRect().height)])"
        f".filter(([, side]) => side < {SMALLEST_TARGET_PX})"
    )
    assert small == []
    assert targets.count() > 3
