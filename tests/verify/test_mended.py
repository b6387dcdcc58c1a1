"""Whether something is mended: by the bands before and after, by what the window can show, never by the calendar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest

from service.verify.mended import (
    Level,
    Outcome,
    Proof,
    Subject,
    fault_of,
    judge,
    level_of,
    rest_needed_h,
)
from service.verify.result import Finding, UnitResult, Unseen, Verification
from service.verify.run import verify
from tests.fleet.visit import Visit, make_visit
from tests.report import sample

SEEDS = range(300, 306)
HOURS = (1, 4, 24)

SERIAL = sample.DEAD
DEAD = Subject("no_output", (SERIAL,))
BEFORE = {SERIAL: Level(SERIAL, 0.0, 0.0, 0.01)}


def _after(index: float, half: float = 0.03, **changed: Any) -> Verification:
    """Return a faultless week in which the unit had that index, with a band so wide either way."""
    made = sample.healthy()
    units = tuple(
        replace(
            u,
            performance_index=index,
            performance_index_low=index - half,
            performance_index_high=index + half,
            smallest_visible_loss_pct=200 * half,
        )
        if u.serial == SERIAL
        else replace(u, performance_index=1.0, performance_index_low=0.97, performance_index_high=1.03)
        for u in made.units
    )
    return replace(made, units=units, **changed)


def _at(unit: UnitResult, index: float) -> UnitResult:
    return replace(
        unit,
        performance_index=index,
        performance_index_low=index - 0.03,
        performance_index_high=index + 0.03,
    )


def _outcome(after: Verification, before: Mapping[str, Level] = BEFORE, subject: Subject = DEAD) -> Proof:
    return judge(subject, before, after)


@pytest.mark.parametrize(
    ("index", "half", "outcome", "why"),
    [
        (0.99, 0.03, "mended", ""),
        (0.975, 0.03, "mended", ""),
        (1.06, 0.03, "mended", ""),
        (0.96, 0.03, "not_yet", "low"),
        (0.90, 0.03, "not_mended", "low"),
        (0.99, 0.12, "not_yet", "band"),
        (0.85, 0.20, "not_yet", "band"),
    ],
)
def test_the_band_must_reach_the_neighbours_and_be_narrow(
    index: float, half: float, outcome: Outcome, why: str
) -> None:
    found = _outcome(_after(index, half))
    assert (found.outcome, found.why) == (outcome, why)


def test_it_must_differ_from_before_where_it_was_low() -> None:
    low = {SERIAL: Level(SERIAL, 0.95, 0.93, 0.97)}
    assert _outcome(_after(0.98), low).why == "no_change"
    assert _outcome(_after(1.005), low).outcome == "mended"
    normal = {SERIAL: Level(SERIAL, 1.0, 0.97, 1.03)}
    assert _outcome(_after(0.99), normal).outcome == "mended"
    assert _outcome(_after(0.99), {}).outcome == "mended"


def test_a_unit_without_three_like_ones_is_proven_alive_by_a_wide_band() -> None:
    after = _after(0.95, 0.2)
    alone = tuple(u if u.serial == SERIAL else replace(u, plane="elsewhere") for u in after.units)
    assert _outcome(after).outcome == "not_yet"
    assert _outcome(replace(after, units=alone)).outcome == "mended"


@pytest.mark.parametrize("light", ["little", "none"])
def test_without_enough_light_nothing_is_proven(light: Any) -> None:
    after = _after(0.99)
    found = _outcome(replace(after, sky=replace(after.sky, light=light)))
    assert (found.outcome, found.why) == ("not_yet", "light")
    assert found.needs["hours"] > 0


def test_what_the_window_cannot_show_is_not_proven() -> None:
    needs = {"minutes": 90.0}
    hidden = Unseen("no_output", "light", serials=(SERIAL,), needs=needs)
    found = _outcome(_after(0.99, not_yet=(hidden,)))
    assert (found.outcome, found.why, found.needs) == ("not_yet", "unseen", {"hours": 1.5})
    for other in (replace(hidden, cause="shaded"), replace(hidden, serials=("another",))):
        assert _outcome(_after(0.99, not_yet=(other,))).outcome == "mended"
    for planes, outcome in ((("south roof",), "not_yet"), (("east dormer",), "mended"), ((), "not_yet")):
        place = replace(hidden, serials=(), planes=planes)
        assert _outcome(_after(0.99, not_yet=(place,))).outcome == outcome


def _finding(cause: str, **more: Any) -> Finding:
    return Finding(cause, (SERIAL,), 0.97, "evidence", "advice", **more)


def test_any_fault_of_the_unit_is_no_mend() -> None:
    after = _after(0.99)
    for cause in ("no_output", "low_output", "shaded"):
        found = _outcome(replace(after, findings=(_finding(cause, last_seen=after.end),)))
        assert found.outcome == "not_mended"
        assert found.fault is not None
        assert found.fault.cause == cause
    assert _outcome(replace(after, findings=(_finding("clipping"),))).outcome == "mended"


def test_a_silence_that_ended_is_waited_out() -> None:
    after = _after(0.99)
    ended = _finding("no_output", last_seen=after.start + timedelta(hours=13))
    found = _outcome(replace(after, findings=(ended,)))
    assert (found.outcome, found.why, found.since) == ("not_yet", "ended", ended.last_seen)


def test_night_after_the_last_light_is_no_end_of_a_silence() -> None:
    after = _after(0.99)
    assert after.curves is not None
    due = np.array(after.curves.expected_wh[SERIAL])
    last_lit = int(np.flatnonzero(due > 0.05 * due.max())[-1])
    seen = after.curves.start + last_lit * timedelta(minutes=after.curves.interval_min)
    assert after.end - seen > timedelta(hours=3)
    found = _outcome(replace(after, findings=(_finding("no_output", last_seen=seen),)))
    assert found.outcome == "not_mended"


def test_a_branch_is_judged_by_those_of_its_units_that_have_no_fault_of_their_own() -> None:
    units = tuple(u.serial for u in sample.site().units if u.branch == "B")
    subject = Subject("branch_out", units, branch="B", is_unit=False)
    after = _after(1.0)
    assert judge(subject, {}, after).outcome == "mended"
    own = Finding("no_output", (units[0],), 0.9, "e", "a")
    dead = tuple(
        replace(u, causes=("no_output",), performance_index=0.0) if u.serial == units[0] else u
        for u in after.units
    )
    assert judge(subject, {}, replace(after, units=dead, findings=(own,))).outcome == "mended"
    off = Finding("branch_out", units, 0.9, "e", "a", branch="B", last_seen=after.end)
    assert judge(subject, {}, replace(after, findings=(off,))).outcome == "not_mended"
    assert fault_of(DEAD, replace(after, findings=(off,))) is None


@pytest.mark.parametrize(("index", "outcome"), [(0.85, "not_mended"), (1.0, "mended")])
def test_a_low_plane_is_held_against_the_others_and_not_against_itself(
    index: float, outcome: Outcome
) -> None:
    after = _after(1.0)
    plane = next(u.plane for u in after.units if u.serial == SERIAL)
    lows = tuple(u.serial for u in after.units if u.plane == plane)
    assert len(lows) < len(after.units)
    units = tuple(_at(u, index) if u.plane == plane else u for u in after.units)
    before = {serial: Level(serial, 0.7, 0.67, 0.73) for serial in lows}
    subject = Subject("low_output", lows, plane=plane, is_unit=False)
    assert judge(subject, before, replace(after, units=units)).outcome == outcome


@pytest.mark.parametrize("cause", ["wrong_plane", "swapped", "not_on_record", "clock_shift"])
def test_a_fault_of_the_record_is_gone_when_its_finding_is(cause: str) -> None:
    serials = () if cause == "clock_shift" else (SERIAL,)
    subject = Subject(cause, serials, is_unit=bool(serials))
    after = _after(0.90)
    assert judge(subject, BEFORE, after).outcome == "mended"
    still = Finding(cause, serials, 0.9, "e", "a")
    assert judge(subject, BEFORE, replace(after, findings=(still,))).outcome == "not_mended"
    hidden = Unseen(cause, "sun", needs={"hours": 2.0})
    assert judge(subject, BEFORE, replace(after, not_yet=(hidden,))).needs == {"hours": 2.0}


def test_what_drops_out_must_stay_up_three_times_as_long_as_it_did() -> None:
    subject = replace(DEAD, cause="intermittent")
    before = sample.healthy()
    assert before.curves is not None
    measured = np.array(before.curves.measured_wh[SERIAL], dtype=float)
    due = np.array(before.curves.expected_wh[SERIAL])
    strong = np.flatnonzero(due > 0.5 * due.max())
    for at in strong[[10, 60, 120, 180]]:
        measured[at : at + 3] = 0.0
    rows = {**before.curves.measured_wh, SERIAL: measured.tolist()}
    struck = replace(before, curves=replace(before.curves, measured_wh=rows))
    needed = rest_needed_h(struck, subject)
    lit_h = float((due > 0.05 * due.max()).sum()) * before.curves.interval_min / 60
    assert needed == pytest.approx(3 * lit_h / 4, rel=0.01)
    assert rest_needed_h(struck, DEAD) == 0
    after = _after(0.99)
    found = judge(subject, {}, after, rest_h=lit_h + 10)
    assert (found.outcome, found.why) == ("not_yet", "rest")
    assert found.needs["hours"] == pytest.approx(10, abs=0.5)
    assert judge(subject, {}, after, rest_h=lit_h - 1).outcome == "mended"


def test_a_common_sensor_widens_no_band_against_the_neighbours() -> None:
    after = _after(0.99, 0.105)
    assert _outcome(after).why == "band"
    assert _outcome(replace(after, sky=replace(after.sky, source="measured"))).outcome == "mended"


# On simulated roofs


@cache
def _visit(seed: int, share: float) -> Visit:
    """Return a roof of which a unit makes that share all the time."""
    return make_visit(seed, was=share, then=share)


@cache
def _before(seed: int, was: float) -> tuple[Subject | None, dict[str, Level]]:
    visit = _visit(seed, was)
    found = verify(visit.site, visit.before)
    fault = next((f for f in found.findings if f.is_fault and visit.serial in f.serials), None)
    subject = Subject(fault.cause, (visit.serial,)) if fault else None
    return subject, {u.serial: level_of(u) for u in found.units}


@cache
def _after_hours(seed: int, then: float) -> list[Verification]:
    """Return what is found after more and more hours: all that a fault leaves is a part of a step in the register."""
    visit = _visit(seed, then)
    windows = (replace(visit.after, energy_wh=visit.after.energy_wh[:, : 12 * h]) for h in HOURS)
    return [verify(visit.site, window) for window in windows]


def _outcomes(was: float, then: float) -> list[list[Outcome]]:
    """Return for each roof the outcomes after more and more hours."""
    told = []
    for seed in SEEDS:
        subject, before = _before(seed, was)
        assert subject is not None, seed
        told.append([judge(subject, before, after).outcome for after in _after_hours(seed, then)])
    return told


@pytest.mark.parametrize(("was", "then"), [(0, 0), (0, 0.66), (0.66, 0.66), (0.66, 0.85), (0.85, 0.85)])
def test_what_is_not_or_partly_mended_is_never_called_mended(was: float, then: float) -> None:
    outcomes = _outcomes(was, then)
    assert not any("mended" in told for told in outcomes), outcomes
    assert sum(told[-1] == "not_mended" for told in outcomes) >= len(SEEDS) - 2


@pytest.mark.parametrize("was", [0, 0.66, 0.85])
def test_what_is_mended_is_proven_within_a_day(was: float) -> None:
    outcomes = _outcomes(was, 1.0)
    assert sum("mended" in told for told in outcomes) >= len(SEEDS) - 1, outcomes
    assert not any("not_mended" in told for told in outcomes), outcomes
