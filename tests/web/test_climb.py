"""What the page for the roof says, from a verification and marks to words; no server."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.expect.site import Site
from service.report.words import NBSP
from service.verify.result import Finding, Verification
from service.web.pages.climb import Climb, Job, after_marks, climb, too_early
from service.web.pages.plan import plans
from service.web.pages.roof_map import places, roof_map
from service.web.pages.visit import MarkView
from tests.report import sample

pytestmark = pytest.mark.one_database

SITE = sample.site()


def finding(cause: str, *serials: str, **more: Any) -> Finding:
    return Finding(cause, serials, 0.9, "Evidence.", "Advice.", **more)


def with_findings(*findings: Finding) -> Verification:
    healthy = sample.healthy()
    causes = {u.serial: tuple(f.cause for f in findings if u.serial in f.serials) for u in healthy.units}
    units = tuple(replace(u, causes=causes[u.serial]) for u in healthy.units)
    return replace(healthy, verdict="attention", findings=findings, units=units)


def early(minutes: float | None) -> Verification:
    healthy = sample.healthy()
    return replace(
        healthy, verdict="too_little_light", sky=replace(healthy.sky, light="little", more_minutes=minutes)
    )


def jobs(shown: Climb) -> list[Job]:
    return [job for leg in shown.legs for job in leg.jobs]


def moved(changes: dict[str, dict[str, Any]]) -> Site:
    return replace(SITE, units=tuple(replace(u, **changes.get(u.serial, {})) for u in SITE.units))


# The answer


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (25.0, "Too early: about 25 more minutes of light"),
        (90.0, "Too early: about 90 more minutes of light"),
        (95.0, "Too early: about 1.5 more hours of light"),
        (300.0, "Too early: about 5 more hours of light"),
        (None, "Too early: more light is needed"),
    ],
)
def test_too_early_says_for_how_long(minutes: float | None, said: str) -> None:
    shown = climb(early(minutes), SITE)
    assert (shown.state, shown.word) == ("early", said)
    assert too_early(early(minutes).sky) == said


def test_nothing_to_do_is_said_and_nothing_else() -> None:
    shown = climb(sample.healthy(), SITE)
    assert (shown.heard, shown.fitted, shown.word) == (14, 14, "All right")
    assert (shown.legs, shown.ground, shown.on_mains, shown.subjects) == ((), (), False, set())


def test_what_no_cause_explains_asks_for_a_look_at_the_site() -> None:
    shown = climb(with_findings(), SITE)
    assert (shown.state, shown.word, shown.legs) == ("look", "Look at this site", ())


def test_before_readings() -> None:
    shown = climb(None, SITE)
    assert (shown.heard, shown.fitted, shown.state) == (0, 14, "early")
    assert shown.word == "Too early: no readings yet"


# The climb


def test_ground_comes_first_and_the_roof_in_the_order_of_climbing() -> None:
    shown = climb(sample.verification(), SITE)
    assert (shown.heard, shown.fitted, shown.word) == (13, 14, "Look at these")
    assert [item.finding.title for item in shown.ground] == ["Never heard"]
    assert [leg.plane for leg in shown.legs] == ["south roof", "east dormer"]
    assert [job.serial for job in jobs(shown)] == [sample.DEAD, sample.SHADED, sample.PART, sample.SILENT]
    assert [job.number for job in jobs(shown)] == [1, 2, 3, 4]
    assert jobs(shown)[0].advice.startswith("Isolate")
    assert jobs(shown)[-1].advice == "First what is listed under \u201cFrom the ground first\u201d."


def test_a_tripped_branch_is_looked_at_on_the_board_first() -> None:
    shown = climb(with_findings(finding("voltage_trip", branch="A")), SITE)
    assert [item.finding.scope for item in shown.ground] == ["branch circuit \u201cA\u201d"]
    assert [item.subject for item in shown.ground] == ["branch:A"]
    assert shown.on_mains
    assert climb(with_findings(finding("swapped", sample.DEAD, sample.PART)), SITE).on_roof


def test_nobody_climbs_to_units_that_wait_for_the_board() -> None:
    branch = finding("branch_out", "60418820001", "60418820002", branch="A")
    shown = climb(with_findings(branch, finding("low_output", sample.PART)), SITE)
    assert [job.serial for job in jobs(shown)] == [sample.PART]
    assert [item.subject for item in shown.ground] == ["branch:A"]
    alone = climb(with_findings(finding("branch_out", sample.PART, branch="B")), SITE)
    assert (alone.legs, [item.subject for item in alone.ground]) == ((), [f"unit:{sample.PART}"])
    assert alone.on_mains


def test_a_unit_is_marked_in_one_place_only() -> None:
    shown = climb(sample.verification(), SITE)
    subjects = [job.subject for job in jobs(shown)] + [item.subject for item in shown.ground]
    assert sorted(subjects) == sorted(
        ["", *(f"unit:{s}" for s in (sample.DEAD, sample.SHADED, sample.PART, sample.SILENT))]
    )


def test_a_shadow_over_several_units_is_one_thing_to_mark() -> None:
    shown = climb(with_findings(finding("shaded", sample.DEAD, sample.SHADED, plane="south roof")), SITE)
    assert [(job.subject, job.is_shared) for job in jobs(shown)] == [("plane:south roof", True)] * 2


# Places


def test_a_place_is_said_as_one_counts_it() -> None:
    said = places(SITE)
    assert said[sample.DEAD] == "south roof, row 1, 4th of 5 from the left"
    assert said["60418820001"] == "south roof, row 1, 1st of 5 from the left"
    assert said[sample.SILENT] == "east dormer, row 1, 3rd of 4 from the left"


def test_a_gap_in_the_row_is_not_counted() -> None:
    chimney = replace(SITE, units=tuple(u for u in SITE.units if u.serial != "60418820002"))
    assert places(chimney)[sample.DEAD] == "south roof, row 1, 3rd of 4 from the left"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"row": None, "column": None}, "south roof, place not on the record"),
        ({"row": None}, "south roof, column 4, row not on the record"),
        ({"column": None}, "south roof, row 1, column not on the record"),
        ({"row": 7}, "south roof, row 7, the only one"),
    ],
)
def test_a_place_that_is_not_on_the_record(change: dict[str, Any], said: str) -> None:
    assert places(moved({sample.DEAD: change}))[sample.DEAD] == said


def test_every_unit_has_a_place_in_words() -> None:
    assert set(places(SITE)) == {unit.serial for unit in SITE.units}


def test_map_and_words_agree() -> None:
    (south, east) = plans(SITE, None)
    drawn = roof_map(south, {sample.DEAD: 7})
    assert len(drawn.spots) == 10
    (here,) = [spot for spot in drawn.spots if spot.number]
    first_row = [spot for spot in drawn.spots if spot.y == here.y]
    assert (here.number, sorted(s.x for s in first_row).index(here.x) + 1) == ("7", 4)
    assert (len(roof_map(east, {}).spots), [row.name for row in drawn.rows]) == (4, ["1", "2"])


def test_units_without_a_place_are_listed_without_a_map() -> None:
    nowhere = moved({u.serial: {"row": None, "column": None} for u in SITE.units})
    shown = climb(sample.verification(), nowhere)
    assert [leg.map for leg in shown.legs] == [None, None]
    assert len(jobs(shown)) == 4


# Marks


def marks(*states: str) -> list[MarkView]:
    return [MarkView(f"unit:{i}", "", state, "", "", None, ()) for i, state in enumerate(states)]


@pytest.mark.parametrize(
    ("states", "answer"),
    [
        (["none", "open", "looked_at", "left"], ("look", "Look at these")),
        (["said_mended", "closed", "none", "none"], ("look", "Look at these")),
        (
            ["said_mended", "said_mended", "closed", "closed"],
            ("early", "Too early: what was mended waits for light to prove it"),
        ),
        (["closed"] * 4, ("right", "All right: what was mended is proven")),
    ],
)
def test_what_is_mended_needs_no_look(states: list[str], answer: tuple[str, str]) -> None:
    shown = after_marks(climb(sample.verification(), SITE), marks(*states))
    assert (shown.state, shown.word) == answer


def test_how_much_is_mended_is_counted() -> None:
    shown = after_marks(
        climb(sample.verification(), SITE), marks("said_mended", "left", "looked_at", "closed")
    )
    assert "2 of 4 are mended or said to be." in shown.sentence.replace(NBSP, " ")


def test_marks_change_nothing_where_there_is_nothing_to_look_at() -> None:
    for found in (sample.healthy(), early(25.0), None):
        shown = climb(found, SITE)
        assert after_marks(shown, marks("closed")) == shown
