"""A real MQTT broker of the tests' own: TLS, one user, sessions that outlast it. It can be killed and started again."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import trustme
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from service.intake.live.broker import Broker
from tests.ports import free_port

USER, PASSWORD = "roofs", "slate-and-moss"
CONFIG = """
listener {port} 127.0.0.1
cafile {folder}/ca.pem
certfile {folder}/server.pem
keyfile {folder}/server.key
allow_anonymous false
password_file {folder}/passwords
persistence true
persistence_location {folder}/
{saving}
max_queued_messages 0
max_inflight_messages 200
log_dest file {folder}/log
"""
SAVES_EACH_CHANGE = "autosave_on_changes true\nautosave_interval 1"
"""So that little is lost when it is killed; slow."""

# Debian keeps servers where only the administrator's path leads.
SEARCHED = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


@dataclass
class Mosquitto:
    """The broker's process on a port of its own."""

    folder: Path
    port: int = 0
    process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    @property
    def url(self) -> str:
        return f"mqtts://{USER}@localhost:{self.port}"

    @property
    def ca_file(self) -> str:
        return str(self.folder / "ca.pem")

    def as_seen(self, client_id: str, password: str = PASSWORD) -> Broker:
        """Return the broker as the service is told of it."""
        return Broker(self.url, client_id, password, self.ca_file)

    def start(self) -> None:
        """Start it, if it does not run, and wait until it answers."""
        if self.process is None:
            command = [str(shutil.which("mosquitto", path=SEARCHED)), "-c", str(self.folder / "config")]
            self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self.process.poll() is None, (self.folder / "log").read_text(encoding="utf-8")
                time.sleep(0.02)
            else:
                return
        raise AssertionError("the broker does not answer")

    def kill(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(10)
            self.process = None


def make_broker(folder: Path, saving: str = SAVES_EACH_CHANGE) -> Mosquitto:
    """Return a broker that runs; without the program the test is skipped, and fails where all must run."""
    if shutil.which("mosquitto", path=SEARCHED) is None:
        reason = "no MQTT broker: install mosquitto"
        pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)
    port = free_port()
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    certificate = authority.issue_cert("localhost")
    certificate.private_key_pem.write_to_path(str(folder / "server.key"))
    for part in certificate.cert_chain_pems:
        part.write_to_path(str(folder / "server.pem"), append=True)
    subprocess.run(["mosquitto_passwd", "-b", "-c", folder / "passwords", USER, PASSWORD], check=True)
    if os.geteuid() == 0:  # it would become a user of its own, who may not read these
        (folder / "config").write_text("user root\n", encoding="utf-8")
    with (folder / "config").open("a", encoding="utf-8") as config:
        config.write(CONFIG.format(port=port, folder=folder, saving=saving))
    broker = Mosquitto(folder, port)
    broker.start()
    return broker


class Sender:
    """A device that publishes with QoS 1."""

    def __init__(self, broker: Mosquitto, name: str) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)
        self._client.username_pw_set(USER, PASSWORD)
        self._client.tls_set_context(ssl.create_default_context(cafile=broker.ca_file))
        self._client.on_publish = self._count
        self._sent = self._acknowledged = 0
        self.acknowledged_at: dict[int, float] = {}
        self._client.reconnect_delay_set(0.05, 0.1)
        self._client.connect_async("localhost", broker.port, keepalive=30)
        self._client.loop_start()

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False) -> int:
        """Publish, and let the client try until the broker has acknowledged; return the message's number."""
        self._sent += 1
        return self._client.publish(topic, payload, qos=1, retain=retain).mid

    def sent(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Publish, and wait until the broker has acknowledged."""
        self.send(topic, payload, retain=retain)
        until = time.monotonic() + 20
        while not self.is_done():
            assert time.monotonic() < until, "the broker has not acknowledged"
            time.sleep(0.005)

    def is_done(self) -> bool:
        """Return whether the broker has acknowledged everything."""
        return self._acknowledged >= self._sent

    def _count(self, _client: Client, _userdata: Any, number: int, *_: Any) -> None:
        self._acknowledged += 1
        self.acknowledged_at[number] = time.monotonic()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(scope="session")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A broker for all tests that ask."""
    broker = make_broker(tmp_path_factory.mktemp("broker"))
    yield broker
    broker.kill()


@pytest.fixture
def sender(mosquitto: Mosquitto, request: pytest.FixtureRequest) -> Iterator[Sender]:
    """A device at that broker."""
    mosquitto.start()
    device = Sender(mosquitto, f"sender-{abs(hash(request.node.nodeid))}")
    yield device
    device.close()
