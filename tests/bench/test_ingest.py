"""How many readings a second go through the HTTP API into the database, and what memory the server holds."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import numpy as np
import pytest

from tests.bench.served import Served, served

UNITS, DAYS, INTERVAL_MIN = 24, 7, 5
INTERVALS = DAYS * 24 * 60 // INTERVAL_MIN
SITES = 20

FASTEST_EXPECTED = 500_000
"""Readings a second that the table shape must reach, from the client's side, with the commit."""

SITES_FOR_MEMORY = 100
LARGEST_MB = 400


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Served]:
    with served(tmp_path) as running:
        yield running


def test_table_of_a_site_week(server: Served) -> None:
    sites = [_new_site(server, number) for number in range(SITES)]
    bodies = [_week(number) for number in range(SITES)]
    times = [_timed_post(server, site, body) for site, body in zip(sites, bodies, strict=True)]
    again = [_timed_post(server, site, body) for site, body in zip(sites, bodies, strict=True)]
    rate = UNITS * INTERVALS / median(times)
    print(f"\nfirst: {rate:,.0f} readings/s, median {median(times) * 1000:.0f} ms a site-week")
    print(f"again: {UNITS * INTERVALS / median(again):,.0f} readings/s")
    assert rate >= FASTEST_EXPECTED


def test_memory_after_a_hundred_sites_with_verification(server: Served) -> None:
    for number in range(SITES_FOR_MEMORY):
        site = _new_site(server, number)
        _timed_post(server, site, _week(number))
        answer = server.client.get(f"/api/v1/sites/{site}/verification")
        assert answer.status_code == 200, answer.text
    print(f"\n{server.resident_mb():.0f} MB resident after {SITES_FOR_MEMORY} site-weeks, verified")
    assert server.resident_mb() < LARGEST_MB


def _timed_post(server: Served, site: str, body: bytes) -> float:
    headers = {"Content-Type": "application/json"}
    began = perf_counter()
    answer = server.client.post(f"/api/v1/sites/{site}/readings", content=body, headers=headers)
    taken = perf_counter() - began
    counts = answer.json()
    assert answer.status_code == 200, answer.text
    assert counts["accepted"] + counts["replaced"] == UNITS * INTERVALS
    return taken


def _new_site(server: Served, number: int) -> str:
    units = [
        {
            "serial": f"{number:03}-{unit:03}",
            "plane": "south",
            "row": unit // 8,
            "column": unit % 8,
            "module_type": "module",
            "inverter_type": "inverter",
        }
        for unit in range(UNITS)
    ]
    record: dict[str, Any] = {
        "name": f"Bench Row {number}",
        "latitude": 53.8,
        "longitude": -1.55,
        "timezone": "Europe/London",
        "planes": [{"name": "south", "tilt_deg": 35, "azimuth_deg": 180}],
        "module_types": [{"name": "module", "pmax_w": 400}],
        "inverter_types": [{"name": "inverter", "ac_rated_w": 350}],
        "units": units,
    }
    site: str = server.client.post("/api/v1/sites", json=record).raise_for_status().json()["id"]
    return site


def _week(number: int) -> bytes:
    """Return a week in May as days of half a sine with noise, in tenths of a Wh, nothing at night."""
    rng = np.random.default_rng(number)
    hour = np.arange(INTERVALS) * INTERVAL_MIN / 60 % 24
    shape = np.clip(np.sin((hour - 5) / 16 * np.pi), 0, None)
    clouds = np.repeat(rng.uniform(0.2, 1, INTERVALS // 6 + 1), 6)[:INTERVALS]
    energy = 25 * shape * clouds * rng.uniform(0.97, 1.03, (UNITS, INTERVALS))
    lists = {f"{number:03}-{unit:03}": np.round(energy[unit], 1).tolist() for unit in range(UNITS)}
    start = "2026-05-04T00:00:00+01:00"
    return json.dumps({"interval_min": INTERVAL_MIN, "start": start, "energy_wh": lists}).encode()
