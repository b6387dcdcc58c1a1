"""Accepting and undoing against a database: what is refused, and that nothing counts twice."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import Engine

from service.intake.accept import NoSuchCorrection, Outcome, RecordMoved, accept, proposal, undo
from service.intake.correction import read_correction
from service.intake.problems import Refused
from service.intake.take import NoSuchSite, take_readings
from service.store import corrections, sites
from service.store.corrections import fingerprint
from service.store.database import reading, writing
from service.store.tables import Site
from tests.intake.corrections import EACH_KIND, LATE, RENAMED, STRANGER, SWAPPED, TURNED, two_roofs
from tests.intake.roof import JSON, SERIALS


def _site(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, two_roofs()).id


def _record(engine: Engine, site_id: str) -> dict[str, Any]:
    with reading(engine) as session:
        return session.get_one(Site, site_id).record


def _accept(engine: Engine, site_id: str, sent: dict[str, Any], on: str | None = None) -> Outcome:
    return accept(engine, site_id, read_correction(sent), by="Maud", on=on)


def _send(engine: Engine, site_id: str, serial: str) -> None:
    body = f'{{"interval_min": 5, "start": "2026-05-04T12:00Z", "energy_wh": {{"{serial}": [1, 2]}}}}'
    take_readings(engine, site_id, body.encode(), JSON)


@pytest.mark.parametrize("sent", EACH_KIND)
def test_every_kind_is_accepted_and_undone_exactly(engine: Engine, sent: dict[str, Any]) -> None:
    site_id = _site(engine)
    done = _accept(engine, site_id, sent)
    assert (done.changed, done.accepted.number, done.accepted.correction) == (True, 1, sent)
    assert _record(engine, site_id) != two_roofs()
    undone = undo(engine, site_id, 1, by="Isko")
    assert (undone.changed, undone.accepted.undone_by) == (True, "Isko")
    assert _record(engine, site_id) == two_roofs()


@pytest.mark.parametrize("sent", [SWAPPED, LATE])
def test_a_second_click_changes_nothing_more(engine: Engine, sent: dict[str, Any]) -> None:
    site_id = _site(engine)
    shown_on = fingerprint(two_roofs())
    first = _accept(engine, site_id, sent, shown_on)
    corrected = _record(engine, site_id)
    for on in (shown_on, None):
        assert _accept(engine, site_id, sent, on) == Outcome(first.accepted, changed=False)
    assert _record(engine, site_id) == corrected
    undo(engine, site_id, 1, by="Maud")
    assert undo(engine, site_id, 1, by="Isko").changed is False
    assert _accept(engine, site_id, sent).accepted.number == 2


def test_ten_clicks_at_once_count_once(engine: Engine) -> None:
    site_id = _site(engine)
    with ThreadPoolExecutor(10) as pool:
        done = list(pool.map(lambda _: _accept(engine, site_id, LATE), range(10)))
    assert sorted(outcome.changed for outcome in done) == [False] * 9 + [True]
    assert _record(engine, site_id)["clock"] == [{"from": None, "minutes": 60}]


def test_what_was_shown_on_another_record_is_not_accepted(engine: Engine) -> None:
    site_id = _site(engine)
    shown_on = fingerprint(two_roofs())
    _accept(engine, site_id, TURNED)
    now = _record(engine, site_id)
    with pytest.raises(RecordMoved, match="look at it anew"):
        _accept(engine, site_id, LATE, shown_on)
    assert _record(engine, site_id) == now
    assert _accept(engine, site_id, LATE, fingerprint(now)).changed


def test_undo_is_refused_once_the_record_was_changed_otherwise(engine: Engine) -> None:
    site_id = _site(engine)
    _accept(engine, site_id, TURNED)
    with writing(engine) as session:
        site = session.get_one(Site, site_id)
        sites.replace(session, site, {**site.record, "name": "Mill Lane 6"})
    now = _record(engine, site_id)
    with pytest.raises(RecordMoved, match="changed after this correction"):
        undo(engine, site_id, 1, by="Maud")
    assert _record(engine, site_id) == now


def test_corrections_are_undone_in_turn_the_last_first(engine: Engine) -> None:
    site_id = _site(engine)
    for sent in (TURNED, SWAPPED, LATE):
        _accept(engine, site_id, sent)
    with pytest.raises(RecordMoved, match="Undo later corrections first"):
        undo(engine, site_id, 1, by="Maud")
    for number in (3, 2, 1):
        undo(engine, site_id, number, by="Maud")
    assert _record(engine, site_id) == two_roofs()


def test_readings_that_come_meanwhile_hinder_no_undo(engine: Engine) -> None:
    site_id = _site(engine)
    _accept(engine, site_id, TURNED)
    _send(engine, site_id, SERIALS[0])
    assert undo(engine, site_id, 1, by="Maud").changed


def test_a_serial_that_has_been_heard_is_not_taken_for_a_slip(engine: Engine) -> None:
    site_id = _site(engine)
    _send(engine, site_id, STRANGER)
    with reading(engine) as session:
        assert proposal(session, session.get_one(Site, site_id), RENAMED) is not None
    _send(engine, site_id, SERIALS[1])
    with pytest.raises(Refused) as refused:
        _accept(engine, site_id, RENAMED)
    assert [e.field for e in refused.value.errors] == ["correction.recorded"]
    assert "'until'" in refused.value.errors[0].message
    with reading(engine) as session:
        assert proposal(session, session.get_one(Site, site_id), RENAMED) is None
    assert _record(engine, site_id) == two_roofs()


def test_what_does_not_fit_leaves_no_trace(engine: Engine) -> None:
    site_id = _site(engine)
    with pytest.raises(Refused):
        _accept(engine, site_id, {**TURNED, "plane": "garage"})
    with reading(engine) as session:
        site = session.get_one(Site, site_id)
        assert (site.record, site.data_version) == (two_roofs(), 0)
        assert corrections.of_site(session, site) == []
        assert proposal(session, site, {**TURNED, "plane": "garage"}) is None
        assert proposal(session, site, {"kind": "?"}) is None


def test_what_is_not_there(engine: Engine) -> None:
    with pytest.raises(NoSuchSite):
        _accept(engine, "nowhere", LATE)
    with pytest.raises(NoSuchSite):
        undo(engine, "nowhere", 1, by="Maud")
    with pytest.raises(NoSuchCorrection):
        undo(engine, _site(engine), 1, by="Maud")


def test_a_proposal_says_what_it_would_change(engine: Engine) -> None:
    site_id = _site(engine)
    with reading(engine) as session:
        found = proposal(session, session.get_one(Site, site_id), TURNED)
    assert found is not None
    assert (found.correction, found.on) == (TURNED, fingerprint(two_roofs()))
    assert found.changes[0].new == {"tilt_deg": 32.5, "azimuth_deg": 196.4}
