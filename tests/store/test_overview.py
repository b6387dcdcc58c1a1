"""The list of sites by their answers: the worst first, and which of them is not up to date."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from sqlalchemy import Engine

from service.store import overview, sites, verifications
from service.store.database import reading, writing
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


def _page(engine: Engine) -> overview.Page:
    with reading(engine) as session:
        return overview.page(session, search="", offset=0, limit=10, made_by="this code")


def test_order_is_loss_then_unheard_then_not_up_to_date(engine: Engine) -> None:
    _site(engine, "fine", 0.0)
    _site(engine, "newer", 0.0, newer=True)
    _site(engine, "earlier code", 0.0, by="earlier code")
    _site(engine, "silent", 0.0, heard=1)
    _site(engine, "small", 100.0)
    _site(engine, "large", 2000.0)
    _site(engine, "a new one", None)
    found = _page(engine)
    assert [line.name for line in found.lines] == [
        "large", "small", "silent", "a new one", "earlier code", "newer", "fine",
    ]  # fmt: skip
    assert (found.total, found.attention) == (7, 2)


def test_a_line_has_what_was_kept_of_the_default_window(engine: Engine) -> None:
    start, end = datetime(2026, 5, 4, tzinfo=UTC), datetime(2026, 5, 11, tzinfo=UTC)
    told = Summary("attention", 912.5, 23, 24, start, end)
    with writing(engine) as session:
        site = sites.create(session, {"name": "Mill Lane 4", "timezone": "Europe/London"})
        verifications.save(
            session, site.id, sites.DEFAULT_WINDOW, 0, b"{}", made_by="this code", summary=told
        )
        other = replace(told, lost_wh_per_day=1.0, units_heard=1)
        verifications.save(session, site.id, "a/b", 0, b"{}", made_by="this code", summary=other)
    assert _page(engine).lines == [
        overview.Line(
            site.id, "Mill Lane 4", "Europe/London", 0, False, "attention", 912.5, 23, 24, start, end
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
