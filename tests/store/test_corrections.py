"""Corrections as they are kept: numbered, whole, with what it takes to go back."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlmodel import select

from service.store import corrections, sites
from service.store.corrections import Accepted, fingerprint
from service.store.database import reading, writing
from service.store.tables import CorrectionRow, Site

BEFORE: dict[str, Any] = {"name": "Mill Lane 4", "tilt": 35, "units": [{"serial": "1"}]}
AFTER: dict[str, Any] = {"name": "Mill Lane 4", "tilt": 32.5, "units": [{"serial": "1"}]}
SENT = {"kind": "plane"}
CHANGES = [{"part": "plane", "of": "south", "old": {"tilt": 35}, "new": {"tilt": 32.5}}]


def _site(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, BEFORE).id


def _keep(engine: Engine, site_id: str, record: dict[str, Any] = AFTER) -> Accepted:
    with writing(engine) as session:
        site = sites.held(session, site_id)
        assert site is not None
        return corrections.keep(session, site, record, correction=SENT, changes=CHANGES, by="Maud")


def _take_back(engine: Engine, site_id: str, number: int) -> Accepted:
    with writing(engine) as session:
        return corrections.take_back(session, session.get_one(Site, site_id), number, "Isko")


def _held(engine: Engine, site_id: str) -> tuple[dict[str, Any], int, list[Accepted]]:
    with reading(engine) as session:
        site = session.get_one(Site, site_id)
        return site.record, site.data_version, corrections.of_site(session, site)


def test_a_correction_replaces_the_record_and_is_noted(engine: Engine) -> None:
    site_id = _site(engine)
    kept = _keep(engine, site_id)
    record, version, found = _held(engine, site_id)
    assert (record, version, found) == (AFTER, 1, [kept])
    assert (kept.number, kept.correction, kept.changes, kept.accepted_by) == (1, SENT, CHANGES, "Maud")
    assert abs(kept.accepted_at - datetime.now(UTC)).total_seconds() < 60
    assert (kept.undone_by, kept.undone_at, kept.stands) == (None, None, True)


def test_taken_back_the_record_is_just_what_it_was_and_the_row_remains(engine: Engine) -> None:
    site_id = _site(engine)
    _keep(engine, site_id)
    undone = _take_back(engine, site_id, 1)
    assert _held(engine, site_id) == (BEFORE, 2, [undone])
    assert (undone.undone_by, undone.stands) == ("Isko", False)
    assert undone.undone_at is not None
    assert undone.undone_at >= undone.accepted_at


def test_numbers_go_on_and_only_the_one_that_made_the_record_stands(engine: Engine) -> None:
    site_id, other = _site(engine), _site(engine)
    _keep(engine, site_id)
    _keep(engine, site_id, {**AFTER, "tilt": 30})
    assert _keep(engine, other).number == 1
    assert [(a.number, a.stands) for a in _held(engine, site_id)[2]] == [(2, True), (1, False)]
    _take_back(engine, site_id, 2)
    assert [(a.number, a.stands) for a in _held(engine, site_id)[2]] == [(2, False), (1, True)]
    assert _keep(engine, site_id, {**AFTER, "tilt": 31}).number == 3
    with writing(engine) as session:
        sites.replace(session, session.get_one(Site, site_id), {**AFTER, "name": "Mill Lane 6"})
    assert not any(a.stands for a in _held(engine, site_id)[2])


def test_of_several_that_made_the_same_record_the_last_stands(engine: Engine) -> None:
    site_id = _site(engine)
    for record in (AFTER, BEFORE, AFTER):
        _keep(engine, site_id, record)
    assert [a.stands for a in _held(engine, site_id)[2]] == [True, False, False]
    _take_back(engine, site_id, 3)
    assert [a.stands for a in _held(engine, site_id)[2]] == [False, True, False]
    with reading(engine) as session:
        first = corrections.find(session, session.get_one(Site, site_id), 1)
    assert first is not None
    assert not first.stands


def test_it_is_found_by_its_number(engine: Engine) -> None:
    site_id = _site(engine)
    kept = _keep(engine, site_id)
    with reading(engine) as session:
        site = session.get_one(Site, site_id)
        assert corrections.find(session, site, 1) == kept
        assert corrections.find(session, site, 2) is None


def test_deleting_the_site_deletes_its_corrections(engine: Engine) -> None:
    site_id, other = _site(engine), _site(engine)
    _keep(engine, site_id)
    _keep(engine, other)
    with writing(engine) as session:
        sites.delete(session, session.get_one(Site, site_id))
    with reading(engine) as session:
        assert [row.site_id for row in session.exec(select(CorrectionRow))] == [other]


@pytest.mark.parametrize("wrong", [{"number": 0}, {"undone_by": "Isko"}, {"undone_at": datetime.now(UTC)}])
def test_the_database_refuses_what_cannot_be(engine: Engine, wrong: dict[str, Any]) -> None:
    row = {
        "site_id": _site(engine),
        "number": 1,
        "correction": SENT,
        "changes": [],
        "accepted_by": "Maud",
        "accepted_at": datetime.now(UTC),
        "record_before": BEFORE,
        "after_sha256": fingerprint(AFTER),
    }
    with pytest.raises(IntegrityError), writing(engine) as session:
        session.add(CorrectionRow(**{**row, **wrong}))


def test_equal_records_share_a_fingerprint_and_others_do_not() -> None:
    assert fingerprint({"a": 1, "b": [{"c": 2, "d": 3}]}) == fingerprint({"b": [{"d": 3, "c": 2}], "a": 1})
    assert fingerprint(BEFORE) != fingerprint(AFTER)
