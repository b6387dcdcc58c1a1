"""A real collector, killed at random moments, between a real device and the real service, which goes away meanwhile."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from service.collect.config import load
from service.collect.status import status_of
from tests.browser.house import serving
from tests.collect.device import device
from tests.collect.disturbed import World
from tests.collect.processes import Roof, configuration, expected, killed, started, wait_until
from tests.ports import free_port

KILLS = 3


@pytest.fixture
def roof() -> Iterator[Roof]:
    with device() as made:
        roof = Roof(made)
        made.says("/values", roof.answer)
        yield roof


def test_a_collector_that_is_killed_again_and_again_brings_everything_once(
    world: World, roof: Roof, tmp_path: Path
) -> None:
    site, port, dice = world.site(), free_port(), random.Random(3)  # noqa: S311 - no secret
    config = configuration(
        tmp_path, f"http://127.0.0.1:{port}", site, world.token, f"{roof.device.address}/values"
    )
    for n in range(KILLS):
        collector = started("collect", config)
        wait_until(lambda before=roof.passed_min: roof.passed_min > before, "the device was not asked")
        if n == 1:
            with serving(world.engine, port=port):
                time.sleep(dice.uniform(0.5, 2))
        time.sleep(dice.uniform(0, 1))
        killed(collector)
    with serving(world.engine, port=port):
        collector = started("collect", config)
        wait_until(lambda: roof.passed_min == roof.until_min, "the device's day did not pass")
        wait_until(lambda: world.held(site).keys() >= expected(roof.until_min).keys(), "readings are missing")
        status = status_of(load(config))
        assert status is not None
        assert status.running
        assert status.is_well, list(status.worries())
        collector.terminate()
        out, errors = collector.communicate(timeout=15)
    assert (collector.returncode, out) == (0, ""), errors
    held = world.held(site)
    assert held == {key: np.float32(value) for key, value in expected(roof.until_min).items()}
