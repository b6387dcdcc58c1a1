"""The service on a database of its own, once for all tests of the collector that need it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.broker import mosquitto, sender
from tests.browser.house import new_database
from tests.collect.disturbed import Collector, World, world_on

__all__ = ["mosquitto", "sender"]


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """Return the real service."""
    engine = new_database(tmp_path_factory.mktemp("service"))
    with world_on(engine) as made:
        yield made
    engine.dispose()


@pytest.fixture
def collector(world: World, tmp_path: Path) -> Collector:
    """Return a collector whose wire leads to the service."""
    return Collector(world, tmp_path, world.app())


@pytest.fixture
def new_collector(world: World, tmp_path: Path) -> Callable[..., Collector]:
    """Return a function that makes such a collector, with other settings for the service."""
    return lambda **given: Collector(world, tmp_path, world.app(), **given)
