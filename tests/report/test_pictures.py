"""Plan and ranking as one drawing each: every unit once, its marks as on the page, well-formed and of its size."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from service.expect.site import Site
from service.report import charts, words
from service.report.sunpaths import PAPER
from service.verify.result import Verification
from service.web.pages.drawings import drawing
from tests.report import sample

SVG = "{http://www.w3.org/2000/svg}"
TAILS = [f"\u2026{unit.serial[-4:]}" for unit in sample.site().units]


def drawn(name: str, *, record: Site | None = None, narrow: bool = False, dark: bool = False) -> str:
    made = drawing(record or sample.site(), sample.verification(), name)
    assert made is not None
    return made.draw(narrow=narrow, dark=dark)


def texts(svg: str) -> list[str]:
    return [node.text or "" for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314 - our own chart


@pytest.mark.parametrize("name", ["plan", "ranking"])
@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("dark", [False, True])
def test_drawings_are_well_formed_and_in_the_colours_of_their_paper(
    name: str, *, narrow: bool, dark: bool
) -> None:
    svg = drawn(name, narrow=narrow, dark=dark)
    root = ElementTree.fromstring(svg)  # noqa: S314 - made here, from our own chart
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
    assert not [word for word in ("<style", "style=", "<script", "href", "nan") if word in svg]
    own, other = (charts.DARK, charts.LIGHT) if dark else (charts.LIGHT, charts.DARK)
    assert own.mark in svg
    assert other.mark not in svg


def test_the_plan_holds_every_unit_once_with_its_cause() -> None:
    said = texts(drawn("plan"))
    assert [text for text in said if text in TAILS] == TAILS
    assert {"south roof", "east dormer", "nothing", "shade", "part lost", "silent", "measured"} <= set(said)
    assert drawn("plan").count('fill="url(#missing)"') == 1 + 4, (
        "in the legend and in the four cells with a fault"
    )
    assert PAPER["light"] in drawn("plan")


def test_units_without_a_place_stand_in_rows_below() -> None:
    homeless = tuple(
        replace(u, row=None, column=None) if u.plane == "east dormer" else u for u in sample.site().units
    )
    said = texts(drawn("plan", record=replace(sample.site(), units=homeless)))
    assert [text for text in said if text in TAILS] == TAILS
    assert words.EN_DASH in said


def test_the_ranking_holds_every_unit_by_rank() -> None:
    said = texts(drawn("ranking"))
    serials = [unit.serial for unit in sample.verification().units]
    assert [text for text in said if text in serials] == serials
    assert {"makes nothing", "no index", "0.34", "0.8", "Performance ratio"} <= set(said)
    narrow = texts(drawn("ranking", narrow=True))
    assert "makes nothing" in narrow
    assert "Performance ratio" not in narrow


def test_there_is_no_plan_of_a_site_without_units_nor_of_a_name_that_goes_on() -> None:
    found: Verification = sample.verification()
    assert drawing(replace(sample.site(), units=()), found, "plan") is None
    for name in ("plan/x", "ranking/x", "heat/x", "evidence/9", "evidence/-1", "evidence/x", ""):
        assert drawing(sample.site(), found, name) is None, name
