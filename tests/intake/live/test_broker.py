"""What hinders listening at a broker is told apart, each with its remedy."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path
from threading import Thread
from time import monotonic, sleep

import pytest
import trustme

from service.intake.live.broker import NOT_YET, Broker, Receiver, remedy
from tests.broker import Mosquitto
from tests.ports import free_port

_numbers = count()

CONNACK = bytes([0x20, 3, 0, 0, 0])
"""Accepted, without properties (MQTT 5.0, 3.2)."""


def hindrance(broker: Broker, *topics: str) -> str:
    """Return the first thing that hinders listening there."""
    receiver = Receiver(broker, session_s=0)
    receiver.listen_to(topics or ["roof/+"])
    until = monotonic() + 10
    try:
        while receiver.hindrance in ("", NOT_YET):
            assert monotonic() < until, "nothing hinders"
            sleep(0.01)
        return receiver.hindrance
    finally:
        receiver.close()


@pytest.fixture
def broker(mosquitto: Mosquitto) -> Broker:
    mosquitto.start()
    return mosquitto.as_seen(f"receiver-{next(_numbers)}")


def test_wrong_password(mosquitto: Mosquitto, broker: Broker) -> None:
    found = hindrance(mosquitto.as_seen(broker.client_id, password="moss-and-slate"))
    assert found == "it refuses the connection: Not authorized"
    assert remedy(found).startswith("check user and password")


def test_certificate_of_another_signer(broker: Broker, tmp_path: Path) -> None:
    trustme.CA().cert_pem.write_to_path(str(tmp_path / "other.pem"))
    found = hindrance(replace(broker, ca_file=str(tmp_path / "other.pem")))
    assert found.startswith("its certificate is not the one expected: ")
    assert "CA file" in remedy(found)


def test_certificate_of_another_name(mosquitto: Mosquitto, broker: Broker) -> None:
    found = hindrance(replace(broker, url=mosquitto.url.replace("localhost", "127.0.0.1")))
    assert "IP address mismatch" in found
    assert remedy(found).endswith("in the address the name that it is made out to")


def test_no_tls_where_the_broker_wants_it(mosquitto: Mosquitto, broker: Broker) -> None:
    found = hindrance(replace(broker, url=mosquitto.url.replace("mqtts", "mqtt"), ca_file=None))
    assert found == "it ends the connection without a word"
    assert "mqtts://" in remedy(found)


def test_nobody_there() -> None:
    found = hindrance(Broker(f"mqtt://127.0.0.1:{free_port()}", "receiver"))
    assert found.startswith("it cannot be reached: ")
    assert remedy(found) == "check its power, its network and its address"


@pytest.fixture
def refusing() -> Iterator[Broker]:
    """Give a broker that lets everybody in and allows the first topic only, by the bytes of MQTT 5.0 (3.2, 3.9)."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        talk, _ = server.accept()
        with talk:
            talk.recv(1000)
            talk.sendall(CONNACK)
            asked = talk.recv(1000)
            granted_then_not_authorized = bytes([0x90, 5, *asked[2:4], 0, 1, 0x87])
            talk.sendall(granted_then_not_authorized)
            talk.recv(1000)

    thread = Thread(target=serve, daemon=True)
    thread.start()
    yield Broker(f"mqtt://127.0.0.1:{server.getsockname()[1]}", "receiver")
    server.close()
    thread.join(5)


def test_topics_that_this_user_may_not_listen_to(refusing: Broker) -> None:
    found = hindrance(refusing, "barn/+", "roof/+")
    assert found == "it does not let this user listen to topics: roof/+"
    assert remedy(found) == "have it allowed there"
