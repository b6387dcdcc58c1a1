"""The collector for longer: thousands of disturbed runs, a quarter of an hour of kills, and a week to bring after."""

from __future__ import annotations

import os
import random
import resource
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from time import perf_counter, sleep
from typing import Any

import numpy as np
import pytest

from service.collect import disk
from service.collect.config import ServicePart
from service.collect.laying import Laying
from service.collect.layout import Layout
from service.collect.outbox import Outbox
from service.collect.sender import Sender
from service.collect.service import Service
from service.intake.live.model import Sample
from tests.bench.served import served
from tests.browser.house import new_database
from tests.collect.device import device
from tests.collect.disturbed import MORNING, Told, World, run_disturbed, world_on
from tests.collect.processes import Roof, configuration, expected, killed, started, wait_until
from tests.jobs.roof import record
from tests.ports import free_port

EXAMPLES = int(os.environ.get("YIELDPROOF_TEST_EXAMPLES", "2000"))
KILLS = int(os.environ.get("YIELDPROOF_TEST_KILLS", "30"))
UNITS, DAYS = 30, 7
LONGEST_WEEK_S = 120.0
"""A week that could not be sent is there within so long after the service is back."""


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    engine = new_database(tmp_path)
    with world_on(engine) as made:
        yield made
    engine.dispose()


def test_thousands_of_disturbed_runs(world: World) -> None:
    run_disturbed(world, EXAMPLES)


def test_collector_and_service_are_killed_at_random(world: World, tmp_path: Path) -> None:
    """Both are processes of their own and get no word in; the device goes on all the while."""
    site, port, dice = world.site(), free_port(), random.Random(11)  # noqa: S311 - no secret
    settings = {
        "YIELDPROOF_DATABASE_URL": world.engine.url.render_as_string(hide_password=False),
        "YIELDPROOF_SECRET_KEY": "0123456789abcdef" * 4,
        "YIELDPROOF_RUN_WORKER": "false",
    }
    with device() as made:
        roof = Roof(made, minutes_per_answer=30, until_min=24 * 60 * 3)
        url = made.says("/values", roof.answer)
        config = configuration(tmp_path, f"http://127.0.0.1:{port}", site, world.token, url)
        running: dict[str, Any] = {}
        words: dict[str, list[Any]] = {
            "serve": ["serve", "--port", str(port)],
            "collect": ["collect", config],
        }
        for n in range(KILLS + 1):
            for name in words.keys() - running.keys():
                running[name] = started(*words[name], environment=settings, log=tmp_path / f"{name}.log")
            if n < KILLS:
                sleep(dice.uniform(0.2, 6))
                killed(running.pop(dice.choice(sorted(running))))
        wait_until(lambda: roof.passed_min == roof.until_min, "the device's days did not pass", 900)
        truth = {key: np.float32(value) for key, value in expected(roof.until_min).items()}
        wait_until(lambda: world.held(site).keys() >= truth.keys(), "readings are missing", 120)
        for process in running.values():
            killed(process)
    assert world.held(site) == truth


def test_a_week_that_could_not_be_sent_is_brought_after(tmp_path: Path) -> None:
    serials = [f"4829133770{n:02}" for n in range(UNITS)]
    given = {**record(), "units": [{**record()["units"][0], "serial": serial} for serial in serials]}
    with served(tmp_path) as server:
        site = server.client.post("/api/v1/sites", json=given).json()["id"]
        connection, _ = disk.opened(tmp_path / "outbox.sqlite", 2000)
        clock = Told()
        clock.time = MORNING + timedelta(days=DAYS)
        box = Outbox(connection, 2000, clock, "session")
        part = ServicePart.model_validate(
            {
                "url": str(server.client.base_url),
                "site": site,
                "token": server.client.headers["authorization"].split()[1],
            }
        )
        sender = Sender(box, Service(part), Laying({}, Layout(5)), clock, session="session", mappings={})
        begun = perf_counter()
        for minute in range(DAYS * 1440):
            at = MORNING + timedelta(minutes=minute)
            box.samples("hub", [Sample(serial, "counter_wh", at, 1000 + minute * 2.5) for serial in serials])
        heard_s, begun = perf_counter() - begun, perf_counter()
        box.lay(Laying({}, Layout(5)), clock.time)
        laid_s, begun = perf_counter() - begun, perf_counter()
        wait = sender.step()
        sent_s = perf_counter() - begun
        assert wait == 15, box.fact("service_trouble")
        rows = box._read("SELECT state, count(*) FROM reading GROUP BY state", ())
        size_mb = (tmp_path / "outbox.sqlite").stat().st_size / 1e6
    print(
        f"\n{UNITS} units, {DAYS} days, a value a minute: {UNITS * DAYS * 1440:,} values kept in {heard_s:.1f} s, laid "
        f"in {laid_s:.1f} s, {rows[0][1]:,} readings sent in {sent_s:.1f} s; outbox {size_mb:.0f} MB; "
        f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB at most"
    )
    assert rows == [("sent", UNITS * DAYS * 288 - UNITS)]
    assert laid_s + sent_s < LONGEST_WEEK_S
