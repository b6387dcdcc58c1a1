"""Sites: records, versions, owners' links, and which of them are behind."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime

from sqlalchemy import Engine
from sqlmodel import Session, select

from service.store import sites, verifications
from service.store.database import reading, writing
from service.store.tables import ReadingDay, Site, VerificationRow

RECORD = {"name": "Mill Lane 4", "units": []}
SUMMARY = verifications.Summary(verdict="verified", lost_wh_per_day=0.0, units_heard=1, units_fitted=1)


def _site(engine: Engine, name: str = "Mill Lane 4") -> str:
    with writing(engine) as session:
        return sites.create(session, {**RECORD, "name": name}).id


def _add_reading(session: Session, site_id: str) -> None:
    session.add(
        ReadingDay(
            site_id=site_id,
            unit_serial="1",
            channel="energy_wh",
            day=date(2026, 5, 4),
            interval_min=5,
            offset_min=0,
            values=b"",
        )
    )


def test_created_site_is_found_by_its_id(engine: Engine) -> None:
    site_id = _site(engine)
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        assert (site.name, site.record, site.data_version) == ("Mill Lane 4", RECORD, 0)
        assert abs(site.created_at - datetime.now(UTC)).total_seconds() < 60
        assert sites.get(session, "nowhere") is None
    assert len(site_id) >= 12
    assert site_id == site_id.lower()


def test_replacing_the_record_raises_the_version_and_keeps_the_readings(engine: Engine) -> None:
    site_id = _site(engine)
    with writing(engine) as session:
        _add_reading(session, site_id)
    with writing(engine) as session:
        site = session.get_one(Site, site_id)
        replaced = sites.replace(session, site, {"name": "Mill Lane 4a"})
        assert replaced.data_version == 1
    with reading(engine) as session:
        assert session.get_one(Site, site_id).name == "Mill Lane 4a"
        assert len(session.exec(select(ReadingDay)).all()) == 1


def test_deleting_takes_everything_of_the_site(engine: Engine) -> None:
    site_id, other = _site(engine), _site(engine, "Other")
    with writing(engine) as session:
        _add_reading(session, site_id)
        _add_reading(session, other)
        verifications.save(session, site_id, "default", 0, b"{}", made_by="this code", summary=SUMMARY)
    with writing(engine) as session:
        sites.delete(session, session.get_one(Site, site_id))
    with reading(engine) as session:
        assert [r.site_id for r in session.exec(select(ReadingDay))] == [other]
        assert session.exec(select(VerificationRow)).all() == []


def test_page_is_by_name_and_counts_all(engine: Engine) -> None:
    for name in ("Cray Row", "Abbey Hill", "Bell Yard"):
        _site(engine, name)
    with reading(engine) as session:
        found, total = sites.page(session, offset=1, limit=1)
    assert [s.name for s in found] == ["Bell Yard"]
    assert total == 3


def test_no_touch_is_lost_when_many_come_at_once(engine: Engine) -> None:
    site_id = _site(engine)

    def touch(_: int) -> None:
        with writing(engine) as session:
            sites.touch(session, site_id)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(touch, range(40)))
    with reading(engine) as session:
        assert session.get_one(Site, site_id).data_version == 40


def test_behind_are_sites_with_readings_that_this_code_has_not_verified_newest(engine: Engine) -> None:
    empty, never, old, current, before = (
        _site(engine, n) for n in ("empty", "never", "old", "current", "before")
    )
    with writing(engine) as session:
        for site_id in (never, old, current, before):
            _add_reading(session, site_id)
            sites.touch(session, site_id)
        verifications.save(session, old, "default", 0, b"{}", made_by="this code", summary=SUMMARY)
        verifications.save(session, current, "default", 1, b"{}", made_by="this code", summary=SUMMARY)
        verifications.save(session, before, "default", 1, b"{}", made_by="earlier code", summary=SUMMARY)
        verifications.save(
            session, never, "some/other window", 1, b"{}", made_by="this code", summary=SUMMARY
        )
    with reading(engine) as session:
        assert sites.behind(session, "this code") == dict.fromkeys(sorted([never, old, before]), 1)
        assert empty not in sites.behind(session, "this code")
        assert [sites.is_behind(session, s, "this code") for s in (before, current)] == [True, False]


def test_owner_link_opens_its_site_until_it_is_revoked(engine: Engine) -> None:
    site_id, _ = _site(engine), _site(engine, "Other")
    with writing(engine) as session:
        first = sites.make_owner_link(session, session.get_one(Site, site_id))
        second = sites.make_owner_link(session, session.get_one(Site, site_id))
    with writing(engine) as session:
        found = sites.by_owner_token(session, second)
        assert found is not None
        assert found.id == site_id
        assert second not in str(found.model_dump())
        assert sites.by_owner_token(session, first) is None, "a new link ends the earlier one"
        sites.revoke_owner_link(session, found)
    with reading(engine) as session:
        assert sites.by_owner_token(session, second) is None
        assert sites.by_owner_token(session, "") is None
