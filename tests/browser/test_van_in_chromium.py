"""The page for the roof in a real browser: one thumb, sunlight, a signal that comes and goes, and no script at all."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zxingcpp
from PIL import Image
from sqlalchemy import Engine

from service.jobs.punch_list import Mark, mark
from tests.browser.conftest import new_database, serving, signed_in_state
from tests.report import sample
from tests.web.visit import add_person, add_site

SMALLEST_TARGET_PX = 48
"""Smallest side of a touch target: a thumb in a glove; WCAG 2.2 asks for 44 (2.5.5, level AAA)."""
LEAST_CONTRAST = 7.0
"""WCAG 2.2, success criterion 1.4.6 (level AAA)."""
LARGE_CONTRAST = 4.5
"""The same for text from 24 px on, or from 18.7 px if it is bold."""
LEAST_QR_MM = 25
CSS_PX_MM = 25.4 / 96
SHORT = {"timeout": 5000}
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """A database of this file's own: marks must not show on other tests' pages."""
    made = new_database(tmp_path_factory.mktemp("roof"))
    yield made
    made.dispose()


@pytest.fixture(scope="module")
def served(chromium: Any, engine: Engine) -> Iterator[dict[str, Any]]:
    """Serve that database; give its address and what the browser keeps of somebody signed in."""
    with serving(engine) as address:
        state = signed_in_state(chromium, address, add_person(engine, "office"))
        yield {"base_url": address, "storage_state": state}


@pytest.fixture
def open_tab(chromium: Any, served: dict[str, Any]) -> Iterator[Callable[..., Any]]:
    """Return a function that opens a tab in a browser of its own, signed in, which is closed after the test."""
    contexts: list[Any] = []

    def opened(**options: Any) -> Any:
        contexts.append(chromium.new_context(**{**served, "viewport": PHONE, **options}))
        tab = contexts[-1].new_page()
        tab.set_default_timeout(SHORT["timeout"])
        return tab

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture(scope="module")
def looking(chromium: Any, served: dict[str, Any]) -> Any:
    """Return a tab for those who only look."""
    return chromium.new_context(**served).new_page()


@pytest.fixture
def roof(engine: Engine) -> str:
    """Return the id of a site with four faults."""
    return add_site(engine, sample.verification())


def said_by_another(engine: Engine, roof: str, said: str, note: str = "") -> None:
    """Mark the dead unit, as somebody else would on another phone."""
    mark(engine, roof, sample.verification(), Mark(f"unit:{sample.DEAD}", said, note), by="Ana Ribeiro")


def read_again(tab: Any) -> int:
    """Let the page read itself again now; return the answer's status."""
    with tab.expect_response(re.compile(r"part=1")) as got:
        tab.evaluate("dispatchEvent(new Event('online'))")
    status = int(got.value.status)
    tab.wait_for_timeout(100)
    return status


def item(tab: Any, serial: str = sample.DEAD) -> Any:
    return tab.locator(f"li[id='u-{serial}']")


# One thumb, sunlight


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("page", ["van", "job-sheet"])
def test_fits_the_width(looking: Any, roof: str, width: int, page: str) -> None:
    looking.set_viewport_size({"width": width, "height": 700})
    looking.goto(f"/sites/{roof}/{page}")
    looking.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert (
        looking.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    )


def test_answer_is_on_the_first_screen(looking: Any, roof: str) -> None:
    looking.set_viewport_size({"width": 320, "height": 568})
    looking.goto(f"/sites/{roof}/van")
    word = looking.locator(".word").bounding_box()
    assert word["y"] + word["height"] <= 568


@pytest.mark.parametrize("width", [320, 390])
def test_targets_are_large(looking: Any, roof: str, width: int) -> None:
    looking.set_viewport_size({"width": width, "height": 844})
    looking.goto(f"/sites/{roof}/van")
    looking.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    heights = looking.locator(
        "main a, main button, main summary, main textarea, main input:not([type=hidden]), .top button, .top nav a"
    ).evaluate_all("all => all.map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().height])")
    assert len(heights) > 20
    assert [entry for entry in heights if entry[1] < SMALLEST_TARGET_PX] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_legible_in_sunlight(looking: Any, engine: Engine, roof: str, scheme: str) -> None:
    said_by_another(engine, roof, "mended", "Plug was loose")
    looking.emulate_media(color_scheme=scheme)
    looking.goto(f"/sites/{roof}/van")
    looking.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    texts = looking.evaluate(TEXTS_WITH_COLOURS)
    assert len(texts) > 50
    weak = [(t["text"], ratio) for t in texts if (ratio := contrast(t["ink"], t["paper"])) < least(t)]
    assert weak == []


TEXTS_WITH_COLOURS = """() => {
  const opaque = node => {
    const colour = getComputedStyle(node).backgroundColor;
    return /, 0\\)$|transparent/.test(colour) && node.parentElement ? opaque(node.parentElement) : colour;
  };
  const nodes = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode.parentElement, text = walker.currentNode.data.trim();
    if (text && node.checkVisibility() && !node.closest("svg, .skip")) {
      const style = getComputedStyle(node);
      const [px, weight] = [parseFloat(style.fontSize), Number(style.fontWeight)];
      nodes.push({ text, ink: style.color, paper: opaque(node), px, weight });
    }
  }
  return nodes;
}"""


def least(text: dict[str, Any]) -> float:
    is_large = text["px"] >= 24 or (text["px"] >= 18.66 and text["weight"] >= 700)
    return LARGE_CONTRAST if is_large else LEAST_CONTRAST


def contrast(ink: str, paper: str) -> float:
    """Return the contrast ratio as WCAG 2.2 defines it."""
    light, dark = sorted((luminance(ink), luminance(paper)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.2 defines it."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    """WCAG 2.2: black on white is 21:1; #767676 on white is known as the lightest grey that reaches 4.5:1."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21.0)
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.01)


# Read again while in view


def test_what_another_marked_appears_by_itself(
    open_tab: Callable[..., Any], engine: Engine, roof: str
) -> None:
    tab = open_tab()
    tab.clock.install()
    tab.goto(f"/sites/{roof}/van")
    said_by_another(engine, roof, "mended", "Plug was loose")
    tab.clock.run_for(25_000)
    assert item(tab).get_by_text("said to be mended").count() == 0
    with tab.expect_response(re.compile(r"part=1")):
        tab.clock.run_for(10_000)
    item(tab).get_by_text("said to be mended").wait_for(**SHORT)
    assert "1 of 4 is mended" in tab.locator("#answer").inner_text().replace("\xa0", " ")


def test_nothing_new_costs_no_page(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    tab.evaluate("window.before = document.querySelector('#work').firstElementChild")
    assert read_again(tab) == 304
    assert tab.evaluate("document.querySelector('#work').firstElementChild === window.before")


def test_out_of_view_nothing_is_read(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab()
    tab.clock.install()
    tab.goto(f"/sites/{roof}/van")
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.evaluate(
        "Object.defineProperty(document, 'visibilityState', { value: 'hidden', configurable: true })"
    )
    tab.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    tab.clock.run_for(300_000)
    assert [url for url in asked if "/van" in url] == []
    tab.evaluate("Object.defineProperty(document, 'visibilityState', { value: 'visible' })")
    with tab.expect_response(re.compile(r"part=1")):
        tab.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        tab.clock.run_for(1_000)


def test_nothing_is_taken_from_under_the_thumb(
    open_tab: Callable[..., Any], engine: Engine, roof: str
) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    item(tab).get_by_text("Mark it").click()
    item(tab).get_by_label("Note").fill("Half a sente")
    said_by_another(engine, roof, "mended")
    assert read_again(tab) == 200
    assert item(tab).get_by_label("Note").input_value() == "Half a sente"
    assert item(tab).get_by_text("said to be mended").count() == 0
    assert "1 of 4 is mended" in tab.locator("#answer").inner_text().replace("\xa0", " ")
    item(tab).get_by_label("Note").fill("")
    item(tab).get_by_text("Mark it").focus()
    assert read_again(tab) == 200
    item(tab).get_by_text("said to be mended").first.wait_for(**SHORT)


def test_place_focus_and_open_parts_stay(open_tab: Callable[..., Any], engine: Engine, roof: str) -> None:
    tab = open_tab(viewport={"width": 390, "height": 500})
    tab.goto(f"/sites/{roof}/van")
    last = item(tab, sample.SILENT)
    last.get_by_text("Mark it").click()
    last.locator("summary").focus()
    last.evaluate("node => node.scrollIntoView({ block: 'start' })")
    before = last.bounding_box()["y"]
    said_by_another(engine, roof, "mended", "A note that makes the page above longer by some lines")
    assert read_again(tab) == 200
    item(tab).get_by_text("said to be mended").first.wait_for(**SHORT)
    assert last.bounding_box()["y"] == pytest.approx(before, abs=1)
    assert last.locator("details").get_attribute("open") is not None
    assert tab.evaluate("document.activeElement.closest('li').id") == f"u-{sample.SILENT}"


def test_without_signal_it_says_so_and_when_it_was_read(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    assert tab.locator("#signal").inner_text() == ""
    tab.context.set_offline(True)
    tab.get_by_text("No signal, last read").wait_for(**SHORT)
    assert re.search(r"last read \d\d:\d\d", tab.locator("#signal").inner_text())
    assert "13 of 14" in tab.locator("h1").inner_text().replace("\n", " ")
    tab.context.set_offline(False)
    tab.wait_for_function("() => document.querySelector('#signal').textContent === ''")


def test_signed_out_it_stops_and_says_so(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    tab.context.clear_cookies()
    tab.evaluate("dispatchEvent(new Event('online'))")
    tab.get_by_text("You are signed out").wait_for(**SHORT)
    assert "13 of 14" in tab.locator("h1").inner_text().replace("\n", " ")


# Marks


def test_a_unit_is_marked_without_script(open_tab: Callable[..., Any], roof: str, tmp_path: Path) -> None:
    tab = open_tab(java_script_enabled=False)
    tab.goto(f"/sites/{roof}/van")
    item(tab).get_by_text("Mark it").click()
    item(tab).get_by_label("Note").fill("Plug was loose")
    item(tab).get_by_label("Photo").set_input_files(picture(tmp_path, 300, 200))
    item(tab).get_by_role("button", name="Mended").click()
    assert tab.url.endswith(f"/van#u-{sample.DEAD}")
    assert "said to be mended" in item(tab).inner_text()
    item(tab).get_by_text("Mark it").click()
    assert item(tab).get_by_text("Plug was loose").is_visible()
    assert item(tab).locator("img.photo").count() == 1


def test_a_note_survives_a_page_that_is_lost(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    item(tab).get_by_text("Mark it").click()
    item(tab).get_by_label("Note").fill("Plug was loose")
    tab.reload()
    assert item(tab).get_by_label("Note").input_value() == "Plug was loose"
    assert item(tab, sample.SHADED).get_by_label("Note").input_value() == ""
    item(tab).get_by_role("button", name="Looked at").click()
    tab.wait_for_url(re.compile(r"#u-"))
    assert item(tab).get_by_label("Note").input_value() == ""
    assert item(tab).locator(".note").text_content() == "Plug was loose"


def test_a_photo_is_made_small_before_it_is_sent(
    open_tab: Callable[..., Any], roof: str, tmp_path: Path
) -> None:
    tab = open_tab()
    tab.goto(f"/sites/{roof}/van")
    item(tab).get_by_text("Mark it").click()
    photo = picture(tmp_path, 2400, 1800)
    field = item(tab).get_by_label("Photo")
    field.set_input_files(photo)
    tab.wait_for_function("node => node.files[0].type === 'image/jpeg'", arg=field.element_handle())
    assert field.evaluate("node => node.files[0].size") < photo.stat().st_size / 4
    item(tab).get_by_role("button", name="Looked at").click()
    tab.wait_for_url(re.compile(r"#u-"))
    item(tab).get_by_text("Mark it").click()
    shown = item(tab).locator("img.photo")
    shown.scroll_into_view_if_needed()
    tab.wait_for_function("node => node.naturalWidth > 0", arg=shown.element_handle())
    assert shown.evaluate("node => [node.naturalWidth, node.naturalHeight]") == [1600, 1200]


def picture(folder: Path, width: int, height: int) -> Path:
    """Return a picture that does not compress well."""
    noise = np.random.default_rng(1).integers(0, 255, (height, width, 3), dtype=np.uint8)
    path = folder / "roof.png"
    Image.fromarray(noise).save(path, compress_level=1)
    return path


# The job sheet


@pytest.mark.parametrize("rows", [2, 4])
def test_job_sheet_prints_on_one_sheet_with_a_code_that_is_read(
    open_tab: Callable[..., Any], engine: Engine, rows: int
) -> None:
    roof = add_site(engine, None, record=with_rows(rows))
    tab = open_tab(viewport={"width": 794, "height": 1123}, device_scale_factor=2)
    tab.goto(f"/sites/{roof}/job-sheet")
    tab.emulate_media(media="print")
    for size in ("A4", "Letter"):
        printed = tab.pdf(format=size)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1
    assert tab.locator("img.qr").bounding_box()["width"] * CSS_PX_MM >= LEAST_QR_MM
    (code,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(tab.screenshot(full_page=True))).convert("L"))
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/s/[a-z0-9]{6}", code.text)
    tab.goto(code.text)
    assert tab.url.endswith(f"/sites/{roof}/van")


def with_rows(rows: int) -> dict[str, Any]:
    """Return the sample's record, its south roof with so many rows of five."""
    record: dict[str, Any] = sample.record()
    model = record["units"][0]
    more = [
        {**model, "serial": f"6041999{row}00{column}", "row": row, "column": column}
        for row in range(3, rows + 1)
        for column in range(1, 6)
    ]
    return {**record, "units": [*record["units"], *more]}


def test_the_typed_code_leads_to_the_site(open_tab: Callable[..., Any], roof: str) -> None:
    tab = open_tab(java_script_enabled=False)
    tab.goto(f"/sites/{roof}/job-sheet")
    code = tab.locator("p.code").inner_text()
    tab.goto("/go")
    tab.get_by_label("Code of the site").fill(code.upper())
    tab.get_by_role("button", name="Go to the site").click()
    assert tab.url.endswith(f"/sites/{roof}/van")
