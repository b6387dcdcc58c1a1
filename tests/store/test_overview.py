"""The list of sites by their answers: the worst first, and which of them is not up to date."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import Engine

from service.store import overview, sites, verifications
from service.store.database import reading, writing
from service.store.tables import Site
from service.store.verifications import Summary


def _site(
    engine: Engine,
    name: str,
    lost: float | None,
    *,
    heard: int = 2,
    newer: bool = False,
    by: str = "this code",
) -> None:
    with writing(engine) as session:
        site = sites.create(session, {"name": name, "timezone": "Europe/London"})
        if lost is not None:
            told = Summary("attention" if lost else "verified", lost, heard, 2)
            verifications.save(session, site.id, sites.DEFAULT_WINDOW, 0, b"{}", made_by=by, summary=told)
        if newer:
            sites.touch(session, site.id)


NOW = datetime(2026, 5, 6, 12, tzinfo=UTC)
ALL = overview.Wanted(NOW)


def _page(engine: Engine, wanted: overview.Wanted = ALL) -> overview.Page:
    with reading(engine) as session:
        return overview.page(session, wanted, offset=0, limit=10, made_by="this code")


def _names(engine: Engine, wanted: overview.Wanted = ALL) -> list[str]:
    return [line.name for line in _page(engine, wanted).lines]


def test_order_is_loss_then_unheard_then_what_is_not_verified(engine: Engine) -> None:
    _site(engine, "fine", 0.0)
    _site(engine, "also fine", 0.0)
    _site(engine, "silent", 0.0, heard=1)
    _site(engine, "small", 100.0)
    _site(engine, "large", 2000.0)
    _site(engine, "a new one", None)
    found = _page(engine)
    assert [line.name for line in found.lines] == [
        "large", "small", "silent", "a new one", "also fine", "fine",
    ]  # fmt: skip
    assert found.counts == {"attention": 2, "verified": 3, "too_little_light": 0, "unheard": 1}


def test_a_line_has_what_was_kept_of_the_default_window(engine: Engine) -> None:
    start, end = datetime(2026, 5, 4, tzinfo=UTC), datetime(2026, 5, 11, tzinfo=UTC)
    told = Summary("attention", 912.5, 23, 24, start, end)
    with writing(engine) as session:
        record = {"name": "Mill Lane 4", "timezone": "Europe/London", "commissioned_on": "2026-05-04"}
        site = sites.create(session, record)
        verifications.save(
            session, site.id, sites.DEFAULT_WINDOW, 0, b"{}", made_by="this code", summary=told
        )
        other = replace(told, lost_wh_per_day=1.0, units_heard=1)
        verifications.save(session, site.id, "a/b", 0, b"{}", made_by="this code", summary=other)
    assert _page(engine).lines == [
        overview.Line(
            site.id,
            "Mill Lane 4",
            "Europe/London",
            date(2026, 5, 4),
            datetime(2026, 5, 10, 23, tzinfo=UTC),
            0,
            False,
            "attention",
            912.5,
            23,
            24,
            start,
            end,
        )
    ]


def test_behind_is_what_was_made_of_older_data_or_by_other_code(engine: Engine) -> None:
    _site(engine, "current", 1.0)
    _site(engine, "newer", 1.0, newer=True)
    _site(engine, "earlier code", 1.0, by="earlier code")
    _site(engine, "never", None)
    assert {line.name: line.behind for line in _page(engine).lines} == {
        "current": False,
        "newer": True,
        "earlier code": True,
        "never": False,
    }


def _commissioned(engine: Engine, day: date | None, *serials: str, name: str = "") -> str:
    record = {
        "name": name or f"since {day}",
        "timezone": "Pacific/Auckland",
        "commissioned_on": day.isoformat() if day else None,
        "units": [{"serial": serial} for serial in serials],
    }
    with writing(engine) as session:
        return sites.create(session, record).id


def test_the_first_week_is_seven_days_on_the_sites_own_clock(engine: Engine) -> None:
    # Noon UTC is midnight in Auckland (UTC+12 in May): 7 May begins, and with it ends the week since 30 April.
    for day in ("2026-04-30", "2026-05-01", "2026-05-07", "2026-05-08"):
        _commissioned(engine, date.fromisoformat(day))
    first_week = replace(ALL, first_week=True, order="left")
    assert _names(engine, first_week) == ["since 2026-05-01", "since 2026-05-07"]
    a_second_before = replace(first_week, now=NOW - timedelta(seconds=1))
    assert _names(engine, a_second_before) == ["since 2026-04-30", "since 2026-05-01"]


def test_a_site_without_a_date_is_in_its_first_week_from_the_day_it_was_entered(engine: Engine) -> None:
    _commissioned(engine, None, name="entered now")
    now = datetime.now(UTC)
    assert _names(engine, overview.Wanted(now, first_week=True)) == ["entered now"]
    assert _names(engine, overview.Wanted(now + timedelta(days=8), first_week=True)) == []


def test_a_search_finds_names_and_serials_and_follows_the_record(engine: Engine) -> None:
    quarry = _commissioned(engine, None, "SN-0417", "SN-0418", name="\u00c4u\u00dfere Quarry")
    _commissioned(engine, None, "SN-0500", name="Mill Lane")
    for search, found in (("quarry", 1), ("\u00e4USS", 1), ("sn-0418", 1), ("SN-0", 2), ("%", 0), ("_", 0)):
        assert len(_names(engine, replace(ALL, search=search))) == found, search
    with reading(engine) as session:
        code = session.get_one(Site, quarry).code
    for typed in (code, f"{code[:3]} {code[3:]}", code.upper()):
        assert len(_names(engine, replace(ALL, search=typed))) == 1, typed
    with writing(engine) as session:
        sites.replace(session, session.get_one(Site, quarry), {"name": "Old pit", "units": [{"serial": "X"}]})
    assert _names(engine, replace(ALL, search="sn-0418")) == []
    assert _names(engine, replace(ALL, search="pit\nx")) == ["Old pit"]


def test_states_are_told_apart_and_counted_whichever_is_wanted(engine: Engine) -> None:
    _site(engine, "lossy", 10.0)
    _site(engine, "fine", 0.0)
    _site(engine, "heard of nobody", 0.0, heard=0)
    _site(engine, "bare", None)
    for state, names in (
        ("attention", ["lossy"]),
        ("verified", ["fine"]),
        ("unheard", ["heard of nobody", "bare"]),
    ):
        found = _page(engine, replace(ALL, state=state))
        assert [line.name for line in found.lines] == names
        assert found.counts == {"attention": 1, "verified": 1, "too_little_light": 0, "unheard": 2}


def test_every_line_comes_in_order_over_the_bounds_of_what_is_read_at_once(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(overview, "LINES_AT_ONCE", 2)
    for lost in range(1, 6):
        _site(engine, f"loses {lost}", float(lost))
    with reading(engine) as session:
        found = list(overview.every_line(session, ALL, made_by="this code"))
    assert [line.name for line in found] == [f"loses {lost}" for lost in (5, 4, 3, 2, 1)]


def test_a_deleted_site_is_listed_no_more(engine: Engine) -> None:
    site_id = _commissioned(engine, None)
    with writing(engine) as session:
        sites.delete(session, session.get_one(Site, site_id))
    assert _names(engine) == []
