"""A broker for all tests here, and a site with feeds."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.broker import Mosquitto, Sender, make_broker


@pytest.fixture(scope="session")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    broker = make_broker(tmp_path_factory.mktemp("broker"))
    yield broker
    broker.kill()


@pytest.fixture
def sender(mosquitto: Mosquitto, request: pytest.FixtureRequest) -> Iterator[Sender]:
    mosquitto.start()
    device = Sender(mosquitto, f"sender-{abs(hash(request.node.nodeid))}")
    yield device
    device.close()
