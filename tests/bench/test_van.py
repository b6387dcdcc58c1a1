"""What the page for the roof weighs and takes, at a site of 24 units whose week of readings is verified already."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from statistics import median
from time import perf_counter

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.verify.result import Verification
from service.verify.run import verify
from service.web.app import create_app
from tests.bench.test_verification import _site, _week
from tests.web.visit import add_person, add_site, assign, sign_in

LARGEST_BYTES = 60_000
LONGEST_S = 0.100
ROUNDS = 40


@dataclass(frozen=True)
class OnTheRoof:
    """An installer's browser and the page's address."""

    client: TestClient
    href: str


@pytest.fixture(scope="module")
def week() -> Verification:
    return verify(_site(), _week(_site()))


@pytest.fixture
def roof(settings: Settings, engine: Engine, week: Verification) -> Iterator[OnTheRoof]:
    """Give an installer who has the site's page open."""
    site_id = add_site(engine, week, record=_record())
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        sign_in(client, assign(engine, add_person(engine, "installer"), site_id))
        yield OnTheRoof(client, f"/sites/{site_id}/van")


def test_server_time_of_the_first_view(roof: OnTheRoof, engine: Engine) -> None:
    taken = [_timed(roof, {}, 200) for _ in range(ROUNDS)]
    print(f"\n{engine.dialect.name}: page {_told(taken)}")
    assert median(taken) <= LONGEST_S


def test_server_time_of_reading_it_again(roof: OnTheRoof, engine: Engine) -> None:
    tag = roof.client.get(roof.href).headers["etag"]
    taken = [_timed(roof, {"if-none-match": tag}, 304) for _ in range(ROUNDS)]
    print(f"\n{engine.dialect.name}: nothing new {_told(taken)}")
    assert median(taken) <= LONGEST_S


def test_weight_of_the_first_view(roof: OnTheRoof) -> None:
    page = roof.client.get(roof.href).text
    weights = {"page": _weight(roof, roof.href)}
    for address in re.findall(r'(?:href|src)="(/static/[^"]+)"', page):
        weights[address.partition("?")[0].rpartition("/")[2]] = _weight(roof, unescape(address))
    told = ", ".join(f"{name} {size / 1000:.1f} kB" for name, size in weights.items())
    print(f"\nfirst view, gzip: {sum(weights.values()) / 1000:.1f} kB ({told})")
    assert sum(weights.values()) <= LARGEST_BYTES


def _timed(roof: OnTheRoof, headers: dict[str, str], status: int) -> float:
    began = perf_counter()
    answer = roof.client.get(roof.href, headers={"accept-encoding": "gzip", **headers})
    taken = perf_counter() - began
    assert answer.status_code == status
    return taken


def _weight(roof: OnTheRoof, path: str) -> int:
    with roof.client.stream("GET", path, headers={"accept-encoding": "gzip"}) as answer:
        return len(b"".join(answer.iter_raw()))


def _told(taken: list[float]) -> str:
    in_ms = sorted(1000 * t for t in taken)
    return f"median {median(in_ms):.1f} ms, nine in ten within {in_ms[int(0.9 * len(in_ms))]:.1f} ms"


def _record() -> dict[str, object]:
    """Return the bench's site in the contract's form."""
    site = _site()
    return {
        "name": site.name,
        "latitude": site.latitude,
        "longitude": site.longitude,
        "elevation_m": site.elevation_m,
        "timezone": site.timezone,
        "planes": [
            {"name": p.name, "tilt_deg": p.tilt_deg, "azimuth_deg": p.azimuth_deg} for p in site.planes
        ],
        "module_types": [{"name": "module", "pmax_w": 400}],
        "inverter_types": [{"name": "inverter", "ac_rated_w": 350, "efficiency": 0.965}],
        "units": [
            {
                "serial": u.serial,
                "plane": u.plane,
                "row": u.row,
                "column": u.column,
                "module_type": u.module_type,
                "inverter_type": u.inverter_type,
            }
            for u in site.units
        ],
    }
