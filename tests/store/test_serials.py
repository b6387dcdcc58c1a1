"""What is known of serials beside a record."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Engine

from service.intake.take import take_readings
from service.store import serials, sites
from service.store.database import reading, writing
from tests.intake.roof import JSON, SERIALS, record


def test_which_serials_were_heard(engine: Engine) -> None:
    with writing(engine) as session:
        site_id = sites.create(session, record()).id
    body = '{"interval_min": 5, "start": "2026-05-04T12:00Z", "energy_wh": {"x": [1, 2], "y": [1]}}'
    take_readings(engine, site_id, body.encode(), JSON)
    with reading(engine) as session:
        many = {f"s{i}" for i in range(2 * serials.AT_ONCE)}
        assert serials.heard(session, site_id, {"x", "z", *many}) == {"x"}
        assert serials.heard(session, "elsewhere", {"x"}) == set()
        assert serials.heard(session, site_id, set()) == set()


def test_which_other_sites_name_a_serial(engine: Engine) -> None:
    other: dict[str, Any] = {
        **record(),
        "name": "Low Mill",
        "units": [{**record()["units"][0], "serial": "x"}],
    }
    with writing(engine) as session:
        site_id = sites.create(session, record()).id
        sites.create(session, other)
    with reading(engine) as session:
        assert serials.on_other_sites(session, site_id, ["x", SERIALS[0], "z"]) == {"x": "Low Mill"}
        assert serials.on_other_sites(session, None, [SERIALS[0]]) == {SERIALS[0]: record()["name"]}
        assert serials.on_other_sites(session, site_id, []) == {}
