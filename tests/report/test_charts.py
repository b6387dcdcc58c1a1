"""Charts are well-formed SVG that a strict content-security policy lets through, with units and local days."""

from __future__ import annotations

from datetime import UTC, datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from service.report import charts
from service.report.days import Series, sum_series, unit_series
from service.report.marks import Frame
from service.verify.result import Curves
from tests.report import sample

SVG = "{http://www.w3.org/2000/svg}"
ZONE = ZoneInfo(sample.ZONE)
LAYOUT = charts.Layout(1040, 1, 130, 13)


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


PHONE_3, DESK_7, PHONE_1, DESK_1 = 93, 129, 308, 990
"""Widths of a panel: beside two others on a phone, six others on a desk, alone on either."""


@pytest.mark.parametrize(
    ("width", "light", "said"),
    [
        (PHONE_3, (5, 21), ["6", "12:00", "18"]),
        (PHONE_3, (8, 19), ["9", "12:00", "15"]),
        (PHONE_3, (10, 14), ["11", "12:00", "13"]),
        (PHONE_3, (13, 14), ["13:30"]),
        (DESK_7, (5, 21), ["6:00", "12:00", "18:00"]),
        (DESK_7, (11, 14), ["12:00", "13:00"]),
        (PHONE_1, (5, 21), ["6:00", "9:00", "12:00", "15:00", "18:00"]),
        (PHONE_1, (13, 14), ["13:15", "13:30", "13:45"]),
        (DESK_1, (13, 14), ["13:15", "13:30", "13:45"]),
        (DESK_1, (14, 16), ["14:30", "15:00", "15:30"]),
        (DESK_1, (14, 18), ["15:00", "16:00", "17:00"]),
        (DESK_1, (8, 15), ["10:00", "12:00", "14:00"]),
        (DESK_1, (8, 17), ["9:00", "12:00", "15:00"]),
    ],
)
def test_marked_times_suit_the_light_and_the_room(
    width: int, light: tuple[int, int], said: list[str]
) -> None:
    first, last = (hour * 60 for hour in light)
    below = charts._moments(Frame(0, 0, width, 80, first, last, 100.0), LAYOUT, charts.LIGHT)
    assert texts(f'<svg xmlns="http://www.w3.org/2000/svg">{below}</svg>') == said


@pytest.mark.parametrize(("width", "least"), [(PHONE_3, 1), (DESK_7, 1), (PHONE_1, 3), (DESK_1, 3)])
def test_a_panel_has_marked_times_whatever_the_light_and_three_if_it_is_alone(width: int, least: int) -> None:
    light = [(a * 60, b * 60) for a in range(24) for b in range(a + 1, 25)]
    counts = {ends: len(charts._marks(Frame(0, 0, width, 80, *ends, 100.0))) for ends in light}
    assert {ends: n for ends, n in counts.items() if not least <= n <= 5} == {}


def test_a_check_of_an_hour_is_read_by_the_clock() -> None:
    start = datetime(2026, 5, 6, 12, 5, tzinfo=UTC)
    hour = Curves(5, start, {"1": [20.0] * 10}, {"1": [21.0] * 10})
    said = texts(charts.day_panels(unit_series(hour, "1", ZONE), title="x", narrow=True))
    assert [t for t in said if ":" in t] == ["13:15", "13:30", "13:45"]
