"""What came in, looked at with each verification and kept beside it: of the newest data and by this code."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sqlalchemy import Engine, update

from service.intake.take import take_readings
from service.jobs import quality, verification
from service.jobs.verification import current_quality, verify_site
from service.quality.model import Quality
from service.store import sites
from service.store.database import reading, writing
from service.store.tables import QualityRow
from tests.jobs.roof import START, bell, new_site, samples, send

HOLE = 50
RNG = np.random.default_rng(7)


@pytest.fixture
def site_id(engine: Engine) -> str:
    """A site with four days of three units, not quite alike; one value of 102 did not come."""
    made = new_site(engine)
    energy = bell(4) * RNG.uniform(0.97, 1.0, (3, bell(4).size))
    energy[1, HOLE] = np.nan
    send(engine, made, *(samples(s, row) for s, row in zip(("101", "102", "103"), energy, strict=True)))
    return made


def _kept(engine: Engine, site_id: str) -> Quality | None:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        return quality.kept(session, site)


def _kinds(engine: Engine, site_id: str) -> list[str]:
    found = current_quality(engine, site_id)
    assert found is not None
    return [finding.kind for finding in found.findings]


def _post(engine: Engine, site_id: str, values: list[float | None], source: str) -> None:
    body = {"interval_min": 15, "start": START.isoformat(), "energy_wh": {"102": [None] * 40 + values}}
    take_readings(engine, site_id, json.dumps(body).encode(), "application/json", source=source)


def test_a_verification_keeps_what_came_in_beside_it(engine: Engine, site_id: str) -> None:
    assert _kept(engine, site_id) is None
    verify_site(engine, site_id)

    kept = _kept(engine, site_id)
    assert kept is not None
    assert (kept.start, kept.findings) == (START, ())
    assert 0.99 < kept.heard_share < 1
    assert current_quality(engine, site_id) == kept


def test_another_window_keeps_nothing(engine: Engine, site_id: str) -> None:
    verify_site(engine, site_id, START)
    assert _kept(engine, site_id) is None


def test_newer_data_and_newer_code_are_looked_at_anew(
    engine: Engine, site_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    verify_site(engine, site_id)
    send(engine, site_id, samples("101", np.full(12, 7.1), start=START.replace(hour=8)))
    assert _kept(engine, site_id) is None
    assert _kinds(engine, site_id) == ["stale"]

    with writing(engine) as session:
        session.execute(update(QualityRow).values(made_by="other code"))
    assert _kept(engine, site_id) is None
    assert _kinds(engine, site_id) == ["stale"]
    monkeypatch.setattr(verification, "inputs_for", lambda *_: None)
    assert _kinds(engine, site_id) == ["stale"]  # kept, not made again


def test_what_two_sources_said_and_what_was_kept_out_is_among_it(engine: Engine, site_id: str) -> None:
    _post(engine, site_id, [20.0, 21.0, 22.0], "token gateway")
    _post(engine, site_id, [30.0, 21.0, -3.0], "file june.csv")
    found = current_quality(engine, site_id)
    assert found is not None
    by_kind = {finding.kind: finding for finding in found.findings}

    assert by_kind["two_sources"].names == {"one": "file june.csv", "other": "token gateway"}
    assert (by_kind["two_sources"].values, by_kind["two_sources"].numbers["both"]) == (1, 2)
    assert "negative_day" not in by_kind  # a good value is held there

    _post(engine, site_id, [31.0, *[None] * (HOLE - 41), -3.0], "file june.csv")
    found = current_quality(engine, site_id)
    assert found is not None
    (negative,) = (finding for finding in found.findings if finding.kind == "negative_day")
    assert (negative.serials, negative.values, negative.names) == (("102",), 1, {"source": "file june.csv"})


def test_a_change_of_the_clock_that_the_record_knows_is_no_finding(engine: Engine) -> None:
    late = np.roll(bell(8), 4)
    late[: 4 * 96] = bell(8)[: 4 * 96]
    clock = [{"from": START.replace(day=5).isoformat(), "minutes": 60}]
    unknown, known = new_site(engine), new_site(engine, clock=clock)
    for made in (unknown, known):
        noise = RNG.uniform(0.97, 1.0, (3, late.size))
        send(engine, made, *(samples(s, late * n) for s, n in zip(("101", "102", "103"), noise, strict=True)))

    assert "clock_step" in _kinds(engine, unknown)
    assert "clock_step" not in _kinds(engine, known)


def test_no_site_and_no_readings(engine: Engine) -> None:
    assert current_quality(engine, "nosuchsite") is None
    assert current_quality(engine, new_site(engine)) is None
