"""A site verified from what is kept: saved with its data version, given again while that lasts, made anew after."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from time import sleep
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine

from service.jobs import verification
from service.jobs.codec import from_json, to_json
from service.store import sites, verifications
from service.store.database import reading, writing
from service.store.tables import Site
from service.verify.result import Curves, Finding, Sky, UnitResult, Verification
from tests.jobs.roof import START, bell, heard_site, new_site, of_other_code, samples, send

MOMENT = datetime(2026, 6, 1, 12, tzinfo=UTC)
EXAMPLE = Verification(
    start=MOMENT,
    end=MOMENT + timedelta(days=1),
    sky=Sky("array", 0.41, "enough", None),
    verdict="attention",
    units=(
        UnitResult("101", "süd", 1, None, "A", 1, 0.1, 1 / 3, 5e-324, *[None] * 5, 0.9, None, ("shaded",)),
        UnitResult("102", "süd", 1, 2, None, 2, None, None, None, *[None] * 5, 0.0, 2.1),
    ),
    findings=(
        Finding(
            "shaded", ("101",), 0.97, "e", "a", MOMENT, None, 912.5, 21.0, None, "A", {"minutes": [60, None]}
        ),
        Finding("clipping", ("102",), 0.9, "e", "a", lost_wh=7.0),
    ),
    curves=Curves(15, MOMENT, {"101": [0.1, None, 1e-9]}, {"101": [0.2, 0.3, 1e16 / 3]}),
)


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Note every run of the judgement."""
    noted: list[str] = []
    real: Callable[..., Verification] = verification.verify

    def counted(*inputs: Any) -> Verification:
        noted.append(inputs[0].name)
        return real(*inputs)

    monkeypatch.setattr(verification, "verify", counted)
    return noted


def test_json_round_trip_loses_nothing() -> None:
    assert from_json(to_json(EXAMPLE)) == EXAMPLE


def test_real_verification_survives_the_round_trip(engine: Engine) -> None:
    made = verification.verify_site(engine, heard_site(engine))
    assert made is not None
    assert made.curves is not None
    assert from_json(to_json(made)) == made
    assert made.units[0].serial == "103", "half the energy of its neighbours ranks first"


def test_result_is_kept_with_the_version_read_before_loading(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_id = heard_site(engine)
    real = verification.verify

    def data_comes_meanwhile(*inputs: Any) -> Verification:
        send(engine, site_id, samples("101", bell() * 0.9))
        return real(*inputs)

    monkeypatch.setattr(verification, "verify", data_comes_meanwhile)
    verification.verify_site(engine, site_id)
    with reading(engine) as session:
        kept = verifications.load(session, site_id, "default")
        site = session.get_one(Site, site_id)
        assert kept is not None
        assert (kept.data_version, site.data_version) == (1, 2)
        assert sites.is_behind(session, site_id, verification.MADE_BY)


def test_current_computes_once_per_data_version(engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    first, again = (verification.current(engine, site_id) for _ in range(2))
    assert first == again
    assert len(runs) == 1
    send(engine, site_id, samples("103", bell()))
    assert verification.current(engine, site_id) != first
    assert len(runs) == 2


def test_what_other_code_has_kept_is_not_current(engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    window = START, START + timedelta(days=1)
    first = verification.current(engine, site_id, *window)
    of_other_code(engine)
    assert [verification.current(engine, site_id, *window) for _ in range(2)] == [first, first]
    assert len(runs) == 2


def test_windows_are_kept_apart_and_the_same_moment_is_one_window(engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    day = verification.current(engine, site_id, START, START + timedelta(days=1))
    whole = verification.current(engine, site_id)
    assert day is not None
    assert whole is not None
    assert (day.end - day.start, whole.end - whole.start) == (timedelta(days=1), timedelta(days=2))
    kathmandu = START.astimezone(ZoneInfo("Asia/Kathmandu"))
    assert verification.current(engine, site_id, kathmandu, kathmandu + timedelta(days=1)) == day
    assert len(runs) == 2


def test_two_who_ask_at_once_share_one_computation(
    engine: Engine, runs: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site_id = heard_site(engine)
    counted = verification.verify

    def slowly(*inputs: Any) -> Verification:
        sleep(0.3)
        return counted(*inputs)

    monkeypatch.setattr(verification, "verify", slowly)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: verification.current(engine, site_id), range(4)))
    assert len(runs) == 1
    assert all(f == found[0] for f in found)


def test_without_readings_there_is_no_verification(engine: Engine) -> None:
    site_id = new_site(engine)
    assert verification.verify_site(engine, site_id) is None
    assert verification.current(engine, site_id) is None
    assert verification.verify_site(engine, "nowhere") is None


def test_site_deleted_meanwhile_leaves_nothing_behind(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_id = heard_site(engine)
    real = verification.verify

    def deleted_meanwhile(*inputs: Any) -> Verification:
        with writing(engine) as session:
            sites.delete(session, session.get_one(Site, site_id))
        return real(*inputs)

    monkeypatch.setattr(verification, "verify", deleted_meanwhile)
    assert verification.verify_site(engine, site_id) is not None
    with reading(engine) as session:
        assert verifications.load(session, site_id, "default") is None


def test_summary_counts_faults_and_units_heard() -> None:
    end = MOMENT + timedelta(days=2)
    assert verification.summary(replace(EXAMPLE, end=end)) == verifications.Summary(
        "attention", 912.5 / 2, 1, 2, MOMENT, end
    )
