"""Charts are well-formed SVG that a strict content-security policy lets through, with units and local days."""

from __future__ import annotations

from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from service.report import charts
from service.report.days import Series, sum_series, unit_series
from service.report.marks import Frame
from tests.report import sample

SVG = "{http://www.w3.org/2000/svg}"
ZONE = ZoneInfo(sample.ZONE)


@pytest.fixture(scope="module")
def site() -> Series:
    curves = sample.verification().curves
    assert curves is not None
    return sum_series(curves, curves.measured_wh, ZONE)


def texts(svg: str) -> list[str]:
    root = ElementTree.fromstring(svg)  # noqa: S314 - made here, from our own chart
    return [node.text or "" for node in root.iter(f"{SVG}text")]


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("dark", [False, True])
def test_one_panel_a_local_day_with_units(site: Series, *, narrow: bool, dark: bool) -> None:
    svg = charts.day_panels(site, title="Kiln Cottage", narrow=narrow, dark=dark)
    said = texts(svg)
    assert [t for t in said if t.endswith(" May")] == [f"{d:%a} {d.day} May" for d in site.days]
    assert "2 kW" in said
    assert "12:00" in said
    assert {"measured", "expected", "missing", "not heard"} <= set(said)
    assert len([t for t in said if " of " in t and "kWh" in t]) == sample.DAYS


@pytest.mark.parametrize("forbidden", ["<style", "style=", "<script", "href", "onload"])
def test_nothing_that_the_policy_blocks(site: Series, forbidden: str) -> None:
    assert forbidden not in charts.day_panels(site, title="x")


def test_size_is_that_of_the_drawing(site: Series) -> None:
    for narrow in (False, True):
        root = ElementTree.fromstring(charts.day_panels(site, title="x", narrow=narrow))  # noqa: S314
        assert (int(root.attrib["width"]), int(root.attrib["height"])) == charts.size(
            sample.DAYS, narrow=narrow
        )


def test_narrow_fits_a_phone(site: Series) -> None:
    width, _ = charts.size(sample.DAYS, narrow=True)
    assert width <= 390 - 2 * 16
    root = ElementTree.fromstring(charts.day_panels(site, title="x", narrow=True))  # noqa: S314
    assert min(float(node.attrib.get("font-size", 12)) for node in root.iter(f"{SVG}text")) >= 10


def test_title_is_escaped(site: Series) -> None:
    assert "<title>&lt;b&gt;</title>" in charts.day_panels(site, title="<b>")


def test_a_silent_unit_says_so() -> None:
    curves = sample.verification().curves
    assert curves is not None
    said = texts(charts.day_panels(unit_series(curves, sample.SILENT, ZONE), title="x"))
    assert said.count("not heard") == 1 + sample.DAYS  # once in the legend
    assert "300 W" in said


def test_dark_paper_has_other_ink(site: Series) -> None:
    light, dark = (charts.day_panels(site, title="x", dark=d) for d in (False, True))
    assert charts.LIGHT.text in light
    assert charts.LIGHT.text not in dark


@pytest.mark.parametrize(
    ("width", "light", "hours"),
    [
        (90, (5 * 60, 21 * 60), (6, 12, 18)),
        (90, (8 * 60, 19 * 60), (9, 12, 15)),
        (90, (10 * 60, 14 * 60), (12,)),
        (900, (8 * 60, 17 * 60), (9, 12, 15)),
    ],
)
def test_marked_hours_suit_the_days_length(
    width: int, light: tuple[int, int], hours: tuple[int, ...]
) -> None:
    assert charts._hours(Frame(0, 0, width, 80, *light, 100.0)) == hours
