"""All units by time: the cells' sums and steps, a scale that is read in grey, and a drawing that stays small."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.report import charts, heat_map
from service.report.heat import ABOVE, BLANK, BOUNDS, BRIGHT, UNHEARD, Cells, by_day, by_hour, cells
from service.report.heat_map import SHADES, RowLabel
from service.report.sunpaths import PAPER
from service.verify.result import Curves
from tests.report import sample
from tests.web.test_pages_look import contrast, luminance

SVG = "{http://www.w3.org/2000/svg}"
ZONE = ZoneInfo(sample.ZONE)
SERIALS = [unit.serial for unit in sample.site().units]
EASILY_APART = 1.3
"""Least contrast of neighbouring steps; common practice, no source."""


def week(slot_min: int = 60) -> Cells:
    curves = sample.verification().curves
    assert curves is not None
    return cells(curves, SERIALS, ZONE, slot_min)


def rows() -> list[RowLabel]:
    causes = {sample.DEAD: "nothing", sample.SILENT: "silent"}
    units = sample.site().units
    return [RowLabel(u.serial, f"\u2026{u.serial[-4:]}", u.plane, causes.get(u.serial, "")) for u in units]


def drawn(found: Cells | None = None, *, narrow: bool = False, dark: bool = False) -> str:
    return heat_map.heat_map(found or week(), rows(), title="<b>", narrow=narrow, dark=dark)


def test_cells_hold_all_energy_of_the_light_hours() -> None:
    made = week()
    for unit in sample.verification().units:
        held = made.made_wh[SERIALS.index(unit.serial)].sum()
        assert held == pytest.approx(unit.measured_wh or 0.0, rel=1e-9)
    assert made.days[0].isoformat() == "2026-05-04"
    assert made.made_wh.shape == (14, 7, 16)
    assert week(180).made_wh.sum() == pytest.approx(made.made_wh.sum())


def test_steps_tell_nothing_part_and_silence_apart() -> None:
    steps = week().steps
    noon = 12 - 5
    dead, part, silent, fine = (
        steps[SERIALS.index(serial)] for serial in (sample.DEAD, sample.PART, sample.SILENT, SERIALS[0])
    )
    assert dead[0, noon] == 0
    assert dead[4, noon] == len(BOUNDS)
    assert part[3, noon - 2] == 2, "0.66 of the neighbours lies between 0.50 and 0.75"
    assert set(np.unique(silent)) == {BLANK, UNHEARD}
    assert set(np.unique(fine)) == {BLANK, 0}
    assert fine[0, 0] == BLANK, "dawn is too dark to tell"


@pytest.mark.parametrize(
    ("index", "step"),
    [
        (1.3, BRIGHT),
        (ABOVE, 0),
        (0.9, 0),
        (0.89, 1),
        (0.75, 1),
        (0.74, 2),
        (0.3, 3),
        (0.1, 4),
        (0.04, 5),
        (0.0, 5),
    ],
)
def test_each_step_begins_where_the_legend_says(index: float, step: int) -> None:
    due = np.full((1, 1, 1), 100.0)
    assert Cells(("a",), (), 0, 60, due * index, due, due).steps.item() == step


def test_a_gap_in_an_hour_bends_no_index() -> None:
    start = datetime(2026, 5, 4, 11, tzinfo=UTC)
    curves = Curves(30, start, {"a": [40.0, None]}, {"a": [50.0, 100.0]})
    found = cells(curves, ["a"], ZoneInfo("UTC"), 60)
    assert found.index.ravel().tolist() == [0.8]
    assert by_day(found) == [("a", [0.8])]
    table = by_hour(found, {"a": "south"}, ZoneInfo("UTC"), "x")
    assert [row[:2] + row[3:] for row in table.rows] == [("a", "south", 60, 40.0, 50.0, 0.8, 33.33)]
    unheard = cells(replace(curves, measured_wh={"a": [None, None]}), ["a"], ZoneInfo("UTC"), 60)
    assert unheard.steps.ravel().tolist() == [UNHEARD]
    assert by_day(unheard) == [("a", [None])]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_scale_is_read_in_grey(scheme: str) -> None:
    levels = [luminance(colour) for colour in SHADES[scheme]]
    assert levels == sorted(levels, reverse=scheme == "light")
    for one, other in zip(SHADES[scheme], SHADES[scheme][1:], strict=False):
        assert contrast(one, other) >= EASILY_APART, (one, other)
    assert contrast(SHADES[scheme][-1], PAPER[scheme]) >= 7
    ink = charts.DARK if scheme == "dark" else charts.LIGHT
    assert contrast(ink.text, SHADES[scheme][0]) >= 3, "the dots of what is above"


@pytest.mark.parametrize("narrow", [False, True])
def test_the_drawing_is_small_well_formed_and_of_its_size(*, narrow: bool) -> None:
    svg = drawn(narrow=narrow)
    root = ElementTree.fromstring(svg)  # noqa: S314 - made here, from our own chart
    assert (int(root.attrib["width"]), int(root.attrib["height"])) == heat_map.size(rows(), 7, narrow=narrow)
    assert len(svg) < 16_000
    said = [node.text for node in root.iter(f"{SVG}text")]
    assert {"south roof", "east dormer", "not heard", "\u20260004"} <= set(said)
    assert ("nothing" in said) != narrow
    assert "<title>&lt;b&gt;</title>" in svg


@pytest.mark.parametrize("forbidden", ["<style", "style=", "<script", "href", "onload"])
def test_nothing_that_the_policy_blocks(forbidden: str) -> None:
    assert forbidden not in drawn()


def test_many_units_and_days_stay_within_bounds() -> None:
    rng = np.random.default_rng(5)
    due = np.full((120, 14, 16), 100.0)
    found = Cells(
        tuple(map(str, range(120))),
        tuple([week().days[0]] * 14),
        300,
        60,
        due * rng.random(due.shape),
        due,
        due,
    )
    labels = [RowLabel(str(i), str(i), "south", "") for i in range(120)]
    svg = heat_map.heat_map(found, labels, title="x", narrow=False, dark=False)
    assert len(svg) < 800_000, "every cell another step: the worst that there is"
