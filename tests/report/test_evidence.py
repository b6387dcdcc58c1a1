"""What is drawn under a finding: the day that shows it, the neighbours beside, and numbers that agree with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.report import charts
from service.report.evidence import Evidence, concerned, evidence, neighbours, power_rows, powers
from service.verify.result import Finding
from tests.report import sample

ZONE = ZoneInfo(sample.ZONE)
FOUND = sample.verification()
DEAD, PART, SHADED, SILENT = FOUND.findings


def shown(finding: Finding) -> Evidence:
    made = evidence(FOUND, finding, ZONE)
    assert made is not None
    return made


def test_neighbours_are_the_nearest_of_the_plane_without_a_fault() -> None:
    # DEAD sits in row 1, column 4; SHADED in row 2, column 3 has a fault of its own, so that it is no measure.
    beside = neighbours(FOUND, [sample.DEAD])
    assert beside[:3] == ["60418820003", "60418820005", "60418820009"]
    assert len(beside) == 6
    assert not {sample.SHADED, sample.PART, sample.SILENT} & set(beside)
    assert neighbours(FOUND, [sample.PART]) == ["60418820012", "60418820014"]


def test_the_day_is_the_one_with_the_largest_gap_while_it_was_seen() -> None:
    assert shown(DEAD).day == date(2026, 5, 7), "the brightest day after it died"
    first_days = replace(DEAD, last_seen=sample.START + timedelta(days=3))
    assert shown(first_days).day == date(2026, 5, 6)
    assert shown(SILENT).day == date(2026, 5, 7)


def test_the_hours_in_which_it_was_seen_are_marked_where_the_day_holds_more() -> None:
    day = datetime(2026, 5, 7, tzinfo=ZONE)
    part = replace(DEAD, first_seen=day + timedelta(hours=9), last_seen=day + timedelta(hours=15))
    assert shown(part).seen == (540, 900)
    assert shown(DEAD).seen is None
    assert ">seen<" in charts.evidence_panel(shown(part), title="x")
    assert ">seen<" not in charts.evidence_panel(shown(DEAD), title="x")


def test_powers_are_those_of_the_unit_and_of_its_neighbours() -> None:
    noon = next(row for row in power_rows(shown(PART), 60) if row[0] == datetime(2026, 5, 7, 11))  # noqa: DTZ001
    _start, measured, expected, beside = noon
    assert isinstance(measured, float)
    assert isinstance(expected, float)
    assert isinstance(beside, float)
    assert measured / expected == pytest.approx(0.66 * 0.99, abs=0.03)
    assert beside / expected == pytest.approx(0.99, abs=0.03)


def test_a_silent_unit_shows_what_was_to_be_expected() -> None:
    rows = power_rows(shown(SILENT), 60)
    assert {row[1] for row in rows} == {None}
    assert max(row[2] for row in rows if isinstance(row[2], float)) > 250


def test_several_units_are_drawn_together_and_a_branch_stands_for_its_units() -> None:
    branch = Finding("branch_out", (), 0.9, "", "", branch="B")
    assert sorted(concerned(FOUND, branch)) == [f"604188200{n}" for n in range(11, 15)]
    assert len(concerned(FOUND, Finding("curtailed", (), 0.9, "", ""))) == 14
    plane = Finding("plane_misdescribed", (), 0.9, "", "", plane="south roof")
    assert len(concerned(FOUND, plane)) == 10
    assert shown(branch).neighbours == ()
    assert np.isnan(shown(branch).neighbours_w(60)).all()
    whole = charts.evidence_panel(shown(branch), title="x")
    assert "as the neighbours did" not in whole


def test_nothing_is_drawn_where_there_is_nothing_to_draw() -> None:
    assert evidence(replace(FOUND, curves=None), DEAD, ZONE) is None
    stranger = Finding("not_on_record", ("99999999999",), 0.9, "", "")
    assert evidence(FOUND, stranger, ZONE) is None


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("finding", FOUND.findings, ids=lambda finding: finding.cause)
def test_the_panel_is_well_formed_and_of_its_size(finding: Finding, *, narrow: bool) -> None:
    svg = charts.evidence_panel(shown(finding), title="<b>", narrow=narrow)
    root = ElementTree.fromstring(svg)  # noqa: S314 - made here, from our own chart
    assert (int(root.attrib["width"]), int(root.attrib["height"])) == charts.evidence_size(narrow=narrow)
    assert not [word for word in ("<style", "style=", "<script", "href") if word in svg]
    assert "nan" not in svg


def test_the_file_holds_the_steps_of_the_drawing() -> None:
    table = powers("x", shown(DEAD), ZONE, 10)
    rows = list(table.rows)
    assert len(table.columns) == len(rows[0]) == 4
    assert rows[1][0] - rows[0][0] == timedelta(minutes=10)  # type: ignore[operator]
