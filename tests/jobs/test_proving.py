"""The proof of a mend, from marks to readings: closed by what units make afterwards, and by nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine

from service.expect.site import Site
from service.intake.accept import accept, undo
from service.intake.correction import Correction, read_correction
from service.intake.replace import Replacement
from service.jobs import proving
from service.jobs.proving import prove_site, unproven_sites, whole_interval
from service.jobs.punch_list import Mark, mark, put_on_list, subject_of, unit_subject
from service.jobs.replacing import replace_unit
from service.jobs.verification import current
from service.store import audit, punch, readings, serials, sites
from service.store.database import reading, writing
from service.store.readings import Samples
from service.store.tables import PunchEntry, PunchStep
from service.verify.inputs import Readings
from tests.fleet.replaced import make_change
from tests.fleet.simulate import FleetSite, make_site
from tests.fleet.visit import Visit, make_visit

SEED, SWAPPED_SEED = 3, 4


@cache
def _visit(was: float, then: float) -> Visit:
    return make_visit(SEED, was=was, then=then, sky="clear", days_before=2, days_after=3)


def _record(visit: Visit) -> dict[str, Any]:
    made = FleetSite(0, "clear", visit.site, visit.before, {}, {}, {}, {}, 0.0)
    return made.record()


def _send(engine: Engine, site_id: str, visit: Visit, part: Readings) -> None:
    first = int(part.start.timestamp())
    starts = first + np.arange(part.count, dtype=np.int64) * part.interval_min * 60
    sent = [
        Samples(u.serial, "energy_wh", part.interval_min, starts, row)
        for u, row in zip(visit.site.units, part.energy_wh, strict=True)
    ]
    with writing(engine) as session:
        readings.write(session, site_id, sent)
        sites.touch(session, site_id)


def _send_all(engine: Engine, site_id: str, site: Site, part: Readings) -> None:
    _send(engine, site_id, Visit(site, part, part, ""), part)


def _cut(part: Readings, hours: float) -> Readings:
    return replace(part, energy_wh=part.energy_wh[:, : int(hours * 60 / part.interval_min)])


def _marked(engine: Engine, visit: Visit, said: str = "mended") -> str:
    """Return a site whose faulty unit was marked at the moment of the visit."""
    with writing(engine) as session:
        site_id = sites.create(session, _record(visit)).id
    _send(engine, site_id, visit, visit.before)
    given = Mark(unit_subject(visit.serial), said, "plug pushed home")
    entry = mark(engine, site_id, current(engine, site_id), given, by="Isko Renn")
    assert entry is not None
    _at(engine, site_id, visit.after.start)
    return site_id


def _at(engine: Engine, site_id: str, moment: datetime) -> None:
    """Date the marks back into the simulated days."""
    with writing(engine) as session:
        for entry in punch.of_site(session, site_id):
            entry.mended_at = moment if entry.mended_at else None
            session.add(entry)


def _held(engine: Engine, site_id: str) -> tuple[PunchEntry, list[PunchStep]]:
    with reading(engine) as session:
        [entry] = punch.of_site(session, site_id)
        return entry, punch.steps(session, site_id)


def test_a_dead_unit_that_makes_what_it_should_is_closed_with_both_indices(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    _send(engine, site_id, visit, _cut(visit.after, 6))
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.closed_at is not None) == ("closed", True)
    assert [s.what for s in steps] == ["opened", "mended", "closed"]
    assert steps[-1].who == proving.BY
    before, after = steps[-1].details["before"], steps[-1].details["after"]
    assert before["high"] < 0.1
    assert 0.9 < after["low"] < 1 < after["high"] + 0.03
    with reading(engine) as session:
        assert audit.latest(session, site_id=site_id)[0].action == "punch.closed"


def test_it_is_still_accused_by_the_default_window_but_its_entry_stays_closed(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    for hours in (6, 24, 72):
        _send(engine, site_id, visit, _cut(visit.after, hours))
        prove_site(engine, site_id)
    found = current(engine, site_id)
    assert found is not None
    assert any(visit.serial in f.serials and f.is_fault for f in found.findings)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.reopened) == ("closed", 0)
    assert [s.what for s in steps] == ["opened", "mended", "closed"]


@pytest.mark.parametrize(("was", "then"), [(0, 0), (0, 0.66), (0.66, 0.66), (0.66, 0.85)])
def test_what_is_not_mended_or_in_part_is_opened_again_with_the_reason(
    engine: Engine, was: float, then: float
) -> None:
    visit = _visit(was, then)
    site_id = _marked(engine, visit)
    _send(engine, site_id, visit, _cut(visit.after, 6))
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.closed_at) == ("open", None)
    assert [s.what for s in steps] == ["opened", "mended", "not_mended"]
    assert steps[-1].details["cause"]
    prove_site(engine, site_id)
    assert len(_held(engine, site_id)[1]) == 3


def test_no_proof_is_claimed_in_the_dark_or_under_little_light(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].proof is not None
    _send(engine, site_id, visit, _cut(visit.after, 0.25))
    prove_site(engine, site_id)
    entry, _ = _held(engine, site_id)
    assert entry.state == "said_mended"
    assert entry.proof is not None
    assert (entry.proof["outcome"], entry.proof["why"]) == ("not_yet", "light")
    assert 0 < entry.proof["needs"]["hours"] < 12


def test_looking_at_it_proves_nothing(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit, "looked_at")
    _send(engine, site_id, visit, visit.after)
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].state == "looked_at"
    assert unproven_sites(engine) == []


def test_a_fault_that_comes_back_opens_its_entry_again(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    _send(engine, site_id, visit, _cut(visit.after, 24))
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].state == "closed"
    again = visit.after.energy_wh.copy()
    row = [u.serial for u in visit.site.units].index(visit.serial)
    again[row, 24 * 12 :] = np.where(np.isnan(again[row, 24 * 12 :]), np.nan, 0.0)
    _send(engine, site_id, visit, replace(visit.after, energy_wh=again))
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.reopened, entry.mended_at) == ("open", 1, None)
    assert [s.what for s in steps] == ["opened", "mended", "closed", "reopened"]
    assert put_on_list(engine, site_id, current(engine, site_id), by="Maud Tolliver") == 0


def test_marks_of_one_day_share_one_verification(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    other = next(u.serial for u in visit.site.units if u.serial != visit.serial)
    with writing(engine) as session:
        site = sites.held(session, site_id)
        assert site is not None
        new = punch.New(unit_subject(other), "no_output", (other,), {"first_seen": None}, 0.0, "x")
        entry = punch.open_entry(session, site_id, new, "Maud Tolliver")
        later = visit.after.start + timedelta(minutes=43)
        punch.mark(session, entry, punch.Done("mended", "Isko Renn"), at=later)
    _send(engine, site_id, visit, _cut(visit.after, 6))
    asked: list[Any] = []
    counted: Callable[..., Any] = lambda *a, **k: (asked.append((a[2:], k)), current(*a, **k))[1]  # noqa: E731
    monkeypatch.setattr(proving, "current", counted)
    prove_site(engine, site_id)
    starts = {k["start"] for _, k in asked if k.get("start")}
    assert starts == {whole_interval(later)}
    with reading(engine) as session:
        assert [e.state for e in punch.of_site(session, site_id)] == ["closed", "closed"]


def test_a_closed_entry_that_nothing_accuses_costs_no_verification(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    _send(engine, site_id, visit, _cut(visit.after, 6))
    prove_site(engine, site_id)
    with writing(engine) as session:
        sites.touch(session, site_id)
    found = current(engine, site_id)
    assert found is not None
    asked: list[Any] = []

    def healthy(*args: Any, **kwargs: Any) -> Any:
        asked.append((args, kwargs))
        return replace(found, findings=())

    monkeypatch.setattr(proving, "current", healthy)
    prove_site(engine, site_id)
    assert asked == [((engine, site_id), {})]
    assert _held(engine, site_id)[0].state == "closed"
    assert unproven_sites(engine) == []


def test_a_mark_made_while_it_was_asked_is_left_for_the_next_round(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit)
    _send(engine, site_id, visit, _cut(visit.after, 6))

    def meanwhile(*args: Any, **kwargs: Any) -> Any:
        found = current(*args, **kwargs)
        given = Mark(unit_subject(visit.serial), "left", "it sparks")
        mark(engine, site_id, None, given, by="Isko Renn")
        return found

    monkeypatch.setattr(proving, "current", meanwhile)
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].state == "left"


def _swapped_site(engine: Engine) -> tuple[str, Correction]:
    """Return a site on which two units stand in each other's place, their finding on the list, and what mends it."""
    made = make_site(SWAPPED_SEED, sky="clear", days=2, units=12, planes=2, faults=("swapped",))
    with writing(engine) as session:
        site_id = sites.create(session, made.record()).id
    _send_all(engine, site_id, made.site, made.readings)
    found = current(engine, site_id)
    assert found is not None
    [finding] = [f for f in found.findings if f.cause == "swapped"]
    assert put_on_list(engine, site_id, found, by="Maud Tolliver", subject=subject_of(finding)) == 1
    return site_id, read_correction(finding.details["correction"])


def test_a_fault_of_the_record_is_closed_by_the_corrected_record_and_opened_by_its_undoing(
    engine: Engine,
) -> None:
    site_id, correction = _swapped_site(engine)
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].state == "open"
    number = accept(engine, site_id, correction, by="Maud Tolliver").accepted.number
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.mended_at) == ("closed", None)
    assert [s.what for s in steps] == ["opened", "closed"]
    undo(engine, site_id, number, by="Maud Tolliver")
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.reopened) == ("open", 1)
    assert steps[-1].details["cause"] == "swapped"


def test_another_change_of_the_record_closes_nothing(engine: Engine) -> None:
    site_id, _ = _swapped_site(engine)
    with writing(engine) as session:
        site = sites.held(session, site_id)
        assert site is not None
        sites.replace(session, site, {**site.record, "name": "Another name"})
    prove_site(engine, site_id)
    assert _held(engine, site_id)[0].state == "open"


def test_a_replaced_unit_is_proven_by_the_new_ones_readings_against_the_olds(engine: Engine) -> None:
    change = make_change(1, sky="clear", was=0.0)
    with writing(engine) as session:
        record = FleetSite(0, "clear", change.site, change.readings, {}, {}, {}, {}, 0.0).record()
        site_id = sites.create(session, record).id
    at = 2 * 288 + 144
    old = Readings(change.readings.start, 5, change.readings.energy_wh[:-1, :at])
    _send_all(engine, site_id, change.site, old)
    subject = unit_subject(change.old)
    assert put_on_list(engine, site_id, current(engine, site_id), by="Maud Tolliver", subject=subject) == 1
    replace_unit(engine, site_id, Replacement(change.old, change.new, change.day), by="Isko Renn")
    _at(engine, site_id, change.readings.start + timedelta(minutes=5 * at))
    late = Readings(change.readings.start + timedelta(minutes=5 * at), 5, change.readings.energy_wh[:, at:])
    _send_all(engine, site_id, change.changed, late)
    prove_site(engine, site_id)
    entry, steps = _held(engine, site_id)
    assert (entry.state, entry.serials, entry.cause) == ("closed", [change.new], "no_output")
    assert [s.what for s in steps] == ["opened", "replaced", "closed"]
    assert steps[-1].details["before"]["high"] < 0.1
    assert steps[-1].details["after"]["serial"] == change.new
    assert steps[-1].details["after"]["low"] > 0.9
    with reading(engine) as session:
        assert change.old in serials.heard(session, site_id, [change.old])


def test_the_same_unit_is_the_same_entry_whatever_its_fault_is_called(engine: Engine) -> None:
    visit = _visit(0, 1)
    site_id = _marked(engine, visit, "looked_at")
    found = current(engine, site_id)
    assert found is not None
    renamed = tuple(
        replace(f, cause="low_output") if visit.serial in f.serials else f for f in found.findings
    )
    again = replace(found, findings=renamed)
    assert put_on_list(engine, site_id, again, by="Maud Tolliver") == 0
    mark(engine, site_id, again, Mark(unit_subject(visit.serial), "left", "too windy"), by="Isko Renn")
    entry, _ = _held(engine, site_id)
    assert (entry.cause, entry.state, entry.reason) == ("no_output", "left", "too windy")


def test_only_whole_intervals_after_the_mark_count() -> None:
    moment = datetime.fromisoformat("2026-05-04T10:02:30+00:00")
    assert whole_interval(moment).isoformat() == "2026-05-04T10:05:00+00:00"
    assert whole_interval(whole_interval(moment)) == whole_interval(moment)
