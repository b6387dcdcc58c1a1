"""How soon the list of sites answers with ten thousand of them, whichever way it is sorted, filtered and paged."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from statistics import median
from time import perf_counter
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine, insert, text

from service.jobs.verification import MADE_BY
from service.settings import Settings
from service.store import listed, sites
from service.store.database import writing
from service.store.tables import ListedSite, Site, VerificationRow
from service.web.app import create_app
from tests.web.visit import add_person, sign_in

SITES, UNITS, IN_FIRST_WEEK = 10_000, 24, 400
RESULT_BYTES = 20_000
"""A kept result's size here; a real fortnight's is larger, but lies beside what the list reads just as this does."""

LARGEST_MS = 150
LARGEST_FILE_MS = 10_000
TRIES = 7
AT_ONCE = 500

ASKED = (
    "/", "/?sort=left", "/?state=attention", "/?state=unheard&sort=left", "/?week=all", "/?week=all&sort=left",
    "/?week=all&state=attention", "/?week=all&state=verified&sort=left", "/?week=all&page=200",
    "/?week=all&sort=left&page=400", "/?week=all&q=row+1234", "/?week=all&q=6041-01234-07", "/?q=nowhere",
    "/?week=all&punch=open",
)  # fmt: skip


@pytest.fixture
def office(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    _fill(engine)
    with TestClient(create_app(settings, engine=engine)) as client:
        yield sign_in(client, add_person(engine, "office"))


def test_every_way_of_listing_ten_thousand_sites(office: TestClient, engine: Engine) -> None:
    print(f"\n{engine.dialect.name}, {SITES} sites, median of {TRIES}")
    medians = {path: median(_taken_ms(office, path) for _ in range(TRIES)) for path in ASKED}
    for path, taken in medians.items():
        print(f"{taken:7.1f} ms  {path}")
    assert max(medians.values()) < LARGEST_MS


def test_ten_thousand_sites_as_a_file(office: TestClient, engine: Engine) -> None:
    print(f"\n{engine.dialect.name}, {SITES} sites")
    for form in ("csv", "xlsx"):
        taken = _taken_ms(office, f"/sites.{form}?week=all")
        print(f"{taken:7.0f} ms  /sites.{form}?week=all")
        assert taken < LARGEST_FILE_MS


def _taken_ms(office: TestClient, path: str) -> float:
    began = perf_counter()
    answer = office.get(path)
    taken = 1000 * (perf_counter() - began)
    assert answer.status_code == 200
    return taken


def _fill(engine: Engine) -> None:
    rng = np.random.default_rng(1)
    with writing(engine) as session:
        for first in range(0, SITES, AT_ONCE):
            made = [_site(number) for number in range(first, first + AT_ONCE)]
            session.execute(insert(Site), [one.model_dump() for one in made])
            session.execute(insert(ListedSite), [listed.row_of(one).model_dump() for one in made])
            verified = [_verification(one, rng) for one in made if rng.random() > 0.05]
            session.execute(insert(VerificationRow), verified)
    with engine.connect() as connection:
        connection.execute(text("ANALYZE"))


def _site(number: int) -> Site:
    now = datetime.now(UTC)
    age = number % 7 if number < IN_FIRST_WEEK else 8 + number % 900
    units = [
        {
            "serial": f"6041-{number:05}-{unit:02}",
            "plane": "south",
            "row": unit // 8,
            "column": unit % 8,
            "branch": f"{unit // 12}",
            "module_type": "module",
            "inverter_type": "inverter",
        }
        for unit in range(UNITS)
    ]
    record: dict[str, Any] = {
        "name": f"Bench Row {number}",
        "timezone": "Europe/London",
        "commissioned_on": (now - timedelta(days=age)).date().isoformat(),
        "units": units,
    }
    own = {"id": f"{number:032x}", "code": f"{number:08}", "name": record["name"]}
    return Site(**own, record=record, created_at=now, data_version=3)


def _verification(site: Site, rng: np.random.Generator) -> dict[str, Any]:
    lossy = rng.random() < 0.3
    return {
        "site_id": site.id,
        "window": sites.DEFAULT_WINDOW,
        "data_version": int(rng.integers(2, 4)),
        "made_by": MADE_BY,
        "made_at": site.created_at,
        "verdict": "attention" if lossy else str(rng.choice(["verified", "too_little_light"], p=[0.9, 0.1])),
        "lost_wh_per_day": float(rng.gamma(2, 400)) if lossy else 0.0,
        "units_heard": UNITS - int(rng.integers(0, 3)),
        "units_fitted": UNITS,
        "window_start": site.created_at - timedelta(days=14),
        "window_end": site.created_at,
        "result": secrets.token_bytes(RESULT_BYTES),
    }
