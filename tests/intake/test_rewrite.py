"""Records changed by hand: kept with the record before, undone and made again exactly, beside corrections."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import Engine

from service.intake.accept import RecordMoved, accept
from service.intake.accept import undo as undo_correction
from service.intake.correction import read_correction
from service.intake.record import as_stored, read_record
from service.intake.rewrite import begin, redo, rewrite, undo
from service.intake.take import NoSuchSite
from service.store import audit, corrections, record_changes, sites
from service.store.corrections import fingerprint
from service.store.database import reading, writing
from service.store.record_changes import Made
from service.store.tables import Site
from tests.intake.corrections import TURNED, two_roofs


def named(name: str) -> dict[str, Any]:
    return as_stored(read_record({**two_roofs(), "name": name}))


def record_of(engine: Engine, site_id: str) -> dict[str, Any]:
    with reading(engine) as session:
        return session.get_one(Site, site_id).record


def changes_of(engine: Engine, site_id: str) -> list[Made]:
    with reading(engine) as session:
        return record_changes.of_site(session, session.get_one(Site, site_id))


def change(engine: Engine, site_id: str, record: dict[str, Any]) -> int | None:
    return rewrite(engine, site_id, record, on=fingerprint(record_of(engine, site_id)), by="Maud")


def test_a_site_is_begun_without_units_and_says_who(engine: Engine) -> None:
    site_id = begin(engine, {**two_roofs(), "units": []}, by="Maud")
    assert record_of(engine, site_id)["units"] == []
    with reading(engine) as session:
        noted = audit.latest(session, site_id=site_id)
    assert [(row.who, row.action) for row in noted] == [("Maud", "record.begun")]


def test_changes_are_undone_and_made_again_exactly(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    assert [change(engine, site_id, named(name)) for name in ("two", "three")] == [1, 2]
    assert [(m.number, m.summary, m.can_undo) for m in changes_of(engine, site_id)] == [
        (2, {"fields": ["name"]}, True),
        (1, {"fields": ["name"]}, False),
    ]
    undo(engine, site_id, 2, by="Isko")
    undo(engine, site_id, 1, by="Isko")
    assert record_of(engine, site_id) == named("one")
    assert [(m.number, m.undone_by, m.can_redo) for m in changes_of(engine, site_id)] == [
        (2, "Isko", False),
        (1, "Isko", True),
    ]
    redo(engine, site_id, 1, by="Maud")
    redo(engine, site_id, 2, by="Maud")
    assert record_of(engine, site_id) == named("three")
    with reading(engine) as session:
        actions = [row.action for row in audit.latest(session, site_id=site_id)]
    done = ["record.changed"] * 2 + ["record.undone"] * 2 + ["record.redone"] * 2
    assert actions[::-1] == ["record.begun", *done]


def test_only_the_last_change_is_undone_and_only_once(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    for name in ("two", "three"):
        change(engine, site_id, named(name))
    with pytest.raises(RecordMoved):
        undo(engine, site_id, 1, by="Maud")
    undo(engine, site_id, 2, by="Maud")
    with pytest.raises(RecordMoved):
        undo(engine, site_id, 2, by="Maud")
    change(engine, site_id, named("four"))
    with pytest.raises(RecordMoved):
        redo(engine, site_id, 2, by="Maud")
    assert record_of(engine, site_id) == named("four")


def test_a_record_that_says_so_already_is_not_changed(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    assert change(engine, site_id, named("one")) is None
    assert changes_of(engine, site_id) == []


def test_what_was_made_from_another_record_is_refused(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    seen = fingerprint(record_of(engine, site_id))
    change(engine, site_id, named("two"))
    with pytest.raises(RecordMoved):
        rewrite(engine, site_id, named("three"), on=seen, by="Isko")
    with pytest.raises(NoSuchSite):
        rewrite(engine, "nowhere", named("three"), on=seen, by="Isko")
    assert record_of(engine, site_id)["name"] == "two"


def test_changes_and_corrections_undo_each_in_its_turn(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    change(engine, site_id, named("two"))
    accept(engine, site_id, read_correction(TURNED), by="Maud")
    with pytest.raises(RecordMoved):
        undo(engine, site_id, 1, by="Maud")
    corrected = record_of(engine, site_id)
    change(engine, site_id, {**corrected, "name": "three"})
    with pytest.raises(RecordMoved):
        undo_correction(engine, site_id, 1, by="Maud")
    undo(engine, site_id, 2, by="Maud")
    undo_correction(engine, site_id, 1, by="Maud")
    undo(engine, site_id, 1, by="Maud")
    assert record_of(engine, site_id) == named("one")


def test_a_replaced_record_cannot_be_undone_over(engine: Engine) -> None:
    site_id = begin(engine, named("one"), by="Maud")
    change(engine, site_id, named("two"))
    with writing(engine) as session:
        sites.replace(session, session.get_one(Site, site_id), named("from a program"))
    with pytest.raises(RecordMoved):
        undo(engine, site_id, 1, by="Maud")
    with reading(engine) as session:
        assert corrections.of_site(session, session.get_one(Site, site_id)) == []
