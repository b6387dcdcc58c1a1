"""The list of sites by their answers: the worst first, and which of them is not up to date."""

from __future__ import annotations

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
