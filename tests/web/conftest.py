"""Who comes to the door of the application: somebody with a browser, and everybody, for tests of all routes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.web.app import create_app
from tests.jobs.remembered import _what_was_judged_is_remembered
from tests.web.roles import House

__all__ = ["_what_was_judged_is_remembered"]


@pytest.fixture
def visitor(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Somebody with a browser who has not signed in."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield client


@pytest.fixture
def house(settings: Settings, engine: Engine) -> Iterator[House]:
    """Give the application with everybody and everything in it."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        house = House(client, engine)
        house.build()
        yield house
