"""Verifications kept by site and window: the newest data wins, whoever finishes last."""

from __future__ import annotations

from sqlalchemy import Engine

from service.store import sites, verifications
from service.store.database import reading, writing
from service.store.verifications import Summary

SUMMARY = Summary(verdict="attention", lost_wh_per_day=912.0, units_heard=23, units_fitted=24)


def _site(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, {"name": "Mill Lane 4"}).id


def _save(engine: Engine, site_id: str, version: int, result: bytes, window: str = "default") -> None:
    with writing(engine) as session:
        verifications.save(session, site_id, window, version, result, made_by="this code", summary=SUMMARY)


def test_saved_is_loaded_byte_for_byte(engine: Engine) -> None:
    site_id = _site(engine)
    _save(engine, site_id, 3, b'{"sky": "klar \xc3\xa4"}')
    with reading(engine) as session:
        kept = verifications.load(session, site_id, "default")
        assert verifications.load(session, site_id, "2026-05-04/2026-05-05") is None
    assert kept is not None
    assert (kept.data_version, kept.made_by) == (3, "this code")
    assert kept.verification_json == b'{"sky": "klar \xc3\xa4"}'


def test_newer_data_replaces_and_older_does_not(engine: Engine) -> None:
    site_id = _site(engine)
    for version, result in ((2, b"two"), (3, b"three"), (1, b"one, finished late"), (3, b"three again")):
        _save(engine, site_id, version, result)
    with reading(engine) as session:
        kept = verifications.load(session, site_id, "default")
    assert kept is not None
    assert (kept.data_version, kept.verification_json) == (3, b"three again")


def test_asking_for_many_windows_keeps_the_newest_and_the_default(engine: Engine) -> None:
    site_id = _site(engine)
    _save(engine, site_id, 1, b"{}")
    windows = [f"window {n}" for n in range(verifications.WINDOWS_KEPT + 3)]
    for window in windows:
        _save(engine, site_id, 1, b"{}", window=window)
    with reading(engine) as session:
        kept = [w for w in ["default", *windows] if verifications.load(session, site_id, w)]
    assert kept == ["default", *windows[3:]]
