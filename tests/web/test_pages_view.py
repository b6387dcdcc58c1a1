"""What the pages say, from a verification to words; no server."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.report import words
from service.report.totals import lost_wh_per_day
from service.verify.result import Curves, Finding, Verification
from service.web.pages import view
from service.web.pages.plan import compass, plans
from tests.report import sample

pytestmark = pytest.mark.one_database

NB = words.NBSP
SITE = sample.site()


def finding(cause: str, *serials: str, **more: Any) -> Finding:
    return Finding(cause, serials, 0.9, "Evidence.", "Advice.", **more)


def with_findings(*findings: Finding) -> Verification:
    healthy = sample.healthy()
    causes = {u.serial: tuple(f.cause for f in findings if u.serial in f.serials) for u in healthy.units}
    units = tuple(replace(u, causes=causes[u.serial]) for u in healthy.units)
    return replace(healthy, verdict="attention", findings=findings, units=units)


def plain(text: str) -> str:
    return text.replace(NB, " ")


# The answer


def test_headline_counts_the_units_to_look_at() -> None:
    assert plain(view.headline(sample.verification())) == "Look at 4 of 14 units"
    assert plain(view.headline(sample.healthy())) == "All 14 units make what they should"
    early = replace(sample.healthy(), verdict="too_little_light")
    assert view.headline(early) == "Too early to say: there was too little light"


def test_a_unit_with_two_faults_counts_once() -> None:
    found = with_findings(finding("shaded", sample.DEAD, sample.PART), finding("low_output", sample.DEAD))
    assert plain(view.headline(found)) == "Look at 2 of 14 units"
    assert plain(view.lede(found)) == "2 in shade at times."


@pytest.mark.parametrize(
    "cause", ["clock_shift", "curtailed", "site_low", "unit_scale", "plane_misdescribed"]
)
def test_a_fault_of_the_whole_site_is_no_list_of_units(cause: str) -> None:
    everyone = [unit.serial for unit in sample.healthy().units]
    found = with_findings(finding(cause, *everyone))
    assert view.headline(found) == words.SITE_SENTENCES[cause]
    assert view.units_to_look_at(found) == set()
    assert view.lede(found) == ""


def test_whole_site_faults_stand_beside_the_units() -> None:
    found = with_findings(finding("no_output", sample.DEAD), finding("clock_shift"))
    assert plain(view.headline(found)) == "Look at 1 of 14 units"
    assert plain(view.lede(found)) == "1 makes nothing. The clock of the readings is off."


def test_a_branch_named_alone_stands_for_its_units() -> None:
    found = with_findings(finding("branch_out", branch="B"))
    assert plain(view.headline(found)) == "Look at 4 of 14 units"
    assert view.serials_of(found.findings[0], found) == {f"6041882{i:04d}" for i in range(11, 15)}


def test_strangers_are_no_units_of_the_plan() -> None:
    found = with_findings(finding("not_on_record", "60418820099"))
    assert view.headline(found) == "Units are heard that are not on the record"
    place = view.finding_view(found.findings[0], SITE).units[0]
    assert (place.known, place.place) == (False, "not on the record")


def test_information_asks_nobody_to_look() -> None:
    found = replace(with_findings(finding("clipping", sample.DEAD)), verdict="verified")
    assert view.units_to_look_at(found) == set()
    line = next(line for line in view.unit_lines(found) if line.serial == sample.DEAD)
    assert not line.is_fault
    assert line.labels[0].text == words.CAUSES["clipping"].one


def test_the_cost_is_per_day_and_leaves_information_out() -> None:
    found = with_findings(finding("shaded", sample.DEAD, lost_wh=7000.0), finding("clipping", lost_wh=9999.0))
    assert lost_wh_per_day(found) == pytest.approx(1000)
    an_hour = replace(found, end=found.start + timedelta(hours=1))
    assert lost_wh_per_day(an_hour) == 7000, "the rest of the day was not lost"
    assert plain(view.lede(found)).endswith("This costs about 1.00 kWh a day.")


def test_last_heard_is_the_end_of_the_last_interval() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    curves = Curves(
        5, start, {"a": [1.0, None, None], "b": [1.0, 1.0, None]}, {"a": [1.0] * 3, "b": [1.0] * 3}
    )
    found = replace(sample.healthy(), curves=curves)
    assert view.last_heard(found) == start + timedelta(minutes=10)
    silent = replace(found, curves=Curves(5, start, {"a": [None]}, {"a": [1.0]}))
    assert view.last_heard(silent) is None
    assert view.last_heard(replace(found, curves=None)) is None


# Units and findings


def test_ranking_is_by_rank_with_the_silent_unit_first() -> None:
    lines = view.unit_lines(sample.verification())
    assert [line.rank for line in lines] == list(range(1, 15))
    assert [line.serial for line in lines[:4]] == [sample.SILENT, sample.DEAD, sample.PART, sample.SHADED]
    assert lines[0].performance_ratio == words.EN_DASH
    assert lines[0].dot is None
    assert all(line.dot for line in lines[1:])


def test_main_cause_comes_first() -> None:
    found = with_findings(
        finding("shaded", sample.DEAD), finding("low_output", sample.DEAD), finding("clipping", sample.DEAD)
    )
    mixed = replace(found, units=tuple(replace(u, causes=tuple(reversed(u.causes))) for u in found.units))
    line = next(line for line in view.unit_lines(mixed) if line.serial == sample.DEAD)
    assert [label.text for label in line.labels] == [
        words.CAUSES[c].one for c in ("shaded", "low_output", "clipping")
    ]


def test_climbing_order_is_plane_row_column() -> None:
    found = sample.verification()
    lines = view.climbing_order(view.unit_lines(found), found, SITE)
    assert [line.serial for line in lines] == [unit.serial for unit in SITE.units]


def test_serial_tails_keep_the_input() -> None:
    assert view.tail("482913377001") == "\u20267001"
    assert view.tail("482913377001/2") == "\u20267001/2"
    assert view.tail("7001") == "7001"


def test_finding_is_read_on_the_sites_clock_and_leaves_blanks_out() -> None:
    first = view.finding_view(sample.verification().findings[0], SITE)
    facts = {name: plain(value) for name, value in first.facts}
    assert facts["Confidence"] == "almost certain (99 %)"
    assert facts["First seen"] == "Wed 6 May 2026, 10:48"
    assert facts["Lost in a year"] == "190 kWh"
    assert (first.on_roof, first.on_mains) == (True, True)
    last = view.finding_view(sample.verification().findings[-1], SITE)
    assert [name for name, _ in last.facts] == ["Confidence"]
    assert (last.on_roof, last.on_mains) == (True, True)  # after the gateway, it may lead to the roof
    clock = view.finding_view(finding("clock_shift"), SITE)
    assert (clock.on_roof, clock.on_mains) == (False, False)


def test_many_units_are_named_in_part() -> None:
    everyone = [unit.serial for unit in SITE.units]
    seen = view.finding_view(finding("low_output", *everyone), SITE)
    assert len(seen.units) == view.NAMED_UNITS
    assert seen.more == 14 - view.NAMED_UNITS
    assert plain(seen.title) == "14 units: steadily low"


# The plan


def test_plan_has_every_unit_once_at_its_place() -> None:
    south, east = plans(SITE, sample.verification())
    assert (south.columns, [row.number for row in south.rows]) == ((1, 2, 3, 4, 5), [1, 2])
    cells = [cell for plan in (south, east) for row in plan.rows for cell in row.cells if cell]
    assert [cell.serial for cell in cells] == [unit.serial for unit in SITE.units]
    assert {cell.serial for cell in cells if cell.is_fault} == {
        sample.DEAD,
        sample.SILENT,
        sample.PART,
        sample.SHADED,
    }
    assert all(cell.course for cell in cells)


def test_a_gap_in_the_numbers_is_a_gap_in_the_roof() -> None:
    units = [replace(u, column=u.column * 2) if u.column else u for u in SITE.units]
    south = plans(replace(SITE, units=tuple(units)), None)[0]
    assert south.columns == tuple(range(2, 11))
    assert [cell is None for cell in south.rows[0].cells] == [False, True] * 4 + [False]
    assert all(cell.course is None for cell in south.rows[0].cells if cell)


def test_far_numbers_do_not_make_an_endless_plan() -> None:
    far = replace(SITE.units[0], column=1000)
    south = plans(replace(SITE, units=(far, *SITE.units[1:])), None)[0]
    assert south.columns == (1, 2, 3, 4, 5, 1000)


def test_a_replaced_unit_gives_its_place_to_the_successor() -> None:
    day = date(2026, 5, 6)
    old = replace(SITE.units[0], active_until=day)
    new = replace(SITE.units[0], serial="60418829999", active_from=day)
    homeless = replace(SITE.units[1], row=None, column=None)
    south = plans(replace(SITE, units=(old, new, homeless, *SITE.units[2:])), None)[0]
    first = south.rows[0].cells[0]
    assert first is not None
    assert first.serial == "60418829999"
    assert [cell.serial for cell in south.unplaced] == [old.serial, homeless.serial]
    assert [other.serial for other in view.same_place(new, replace(SITE, units=(old, new)))] == [old.serial]


def test_a_chosen_day_shows_that_day() -> None:
    found = sample.verification()
    mean, before, after = (plans(SITE, found, day) for day in (None, date(2026, 5, 4), date(2026, 5, 7)))
    made = [p[0].rows[0].cells[3].course.made for p in (mean, before, after)]  # type: ignore[union-attr]
    assert len(set(made)) == 3
    assert view.chosen_day("2026-05-07", [date(2026, 5, 7)]) == date(2026, 5, 7)
    for wrong in ("", "2026-05-08", "yesterday", None):
        assert view.chosen_day(wrong, [date(2026, 5, 7)]) is None


@pytest.mark.parametrize(
    ("azimuth", "name"), [(0, "north"), (359, "north"), (170, "south"), (225, "south-west"), (250, "west")]
)
def test_compass(azimuth: float, name: str) -> None:
    assert compass(azimuth) == name
