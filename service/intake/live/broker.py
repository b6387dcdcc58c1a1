"""The connection to an MQTT broker: what comes on the topics listened to, given out in order and acknowledged late.

A message is acknowledged once whoever took it says that it is kept. The broker keeps a lasting session (MQTT 5.0,
3.1.2.11) while nobody listens, and sends again what was not acknowledged. A passing one (0 s) ends with the connection:
nothing of it ever waited, so that its messages are as old as their arrival says. No meaning and no storage here.
"""

from __future__ import annotations

import ssl
import sys
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from queue import Empty, Queue
from threading import Lock
from time import monotonic
from typing import Any, NamedTuple
from urllib.parse import unquote, urlsplit

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.intake.problems import mark

SESSION_S = 14 * 86_400
"""How long the broker keeps what comes while nobody listens, if it keeps things that long."""

UNACKNOWLEDGED = 200
"""Messages that the broker sends before it wants one acknowledged."""

AT_ONCE_S, LONGEST_GATHERING_S = 0.005, 0.05
"""Messages that follow each other so closely are given out together, since keeping them costs a wait for the disk."""

KEEPALIVE_S = 30
FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 1, 60
NOT_YET = mark("it has not answered yet")
REFUSES = mark("it refuses the connection")
NOT_TRUSTED = mark("its certificate is not the one expected")
UNREACHED = mark("it cannot be reached")
ENDED = mark("the connection ended")
SILENT = mark("it ends the connection without a word")
NOT_ALLOWED = mark("it does not let this user listen to topics")
USUAL_REMEDY = mark("check its power, its network and its address")
REMEDIES = {
    REFUSES: mark("check user and password, and that it speaks MQTT 5"),
    NOT_TRUSTED: mark(
        "give the certificate of whoever signed its own as CA file, and in the address the name that it is made out to"
    ),
    SILENT: mark("check the port, and whether the address must begin with mqtts://"),
    NOT_ALLOWED: mark("have it allowed there"),
}
PORTS = {"mqtt": 1883, "mqtts": 8883}


def remedy(hindrance: str) -> str:
    """Return what to do about what hinders a receiver; it begins with one of the words above."""
    return REMEDIES.get(hindrance.partition(": ")[0], USUAL_REMEDY)


class WrongBroker(Exception):  # noqa: N818 - what the setting is, not a fault of the program
    """The broker's address (`url`) or certificate file (`ca_file`) cannot be used; the message repeats no secret."""

    def __init__(self, field: str, message: str) -> None:
        self.field, self.message = field, message
        super().__init__(f"{field} {message}")


@dataclass(frozen=True)
class Broker:
    """Where a broker is and as whom it is spoken to."""

    url: str
    client_id: str
    password: str | None = field(default=None, repr=False)
    ca_file: str | None = None

    def check(self) -> None:
        """Raise WrongBroker if it cannot be spoken to as it stands."""
        self.host_and_port()
        if self._is_secure:
            self.tls()

    @property
    def _is_secure(self) -> bool:
        return urlsplit(self.url).scheme == "mqtts"

    def host_and_port(self) -> tuple[str, int]:
        """Return where it listens."""
        try:
            parts = urlsplit(self.url)
            port = parts.port
        except ValueError:
            raise WrongBroker("url", "is not an address; write mqtts://USER@HOST:8883") from None
        if parts.scheme not in PORTS or not parts.hostname or parts.path not in ("", "/"):
            raise WrongBroker("url", "must be mqtts://USER@HOST:PORT, or mqtt:// where nobody can listen in")
        if parts.password is not None:
            raise WrongBroker("url", "must not carry the password; give that by itself")
        return parts.hostname, port or PORTS[parts.scheme]

    @property
    def user(self) -> str | None:
        """Return as whom it is spoken to."""
        name = urlsplit(self.url).username
        return unquote(name) if name else None

    def tls(self) -> ssl.SSLContext | None:
        """Return how its certificate is checked: by the file, else as the system does; None without TLS."""
        if not self._is_secure:
            return None
        try:
            return ssl.create_default_context(cafile=self.ca_file or None)
        except OSError:
            raise WrongBroker("ca_file", "names no file of certificates (PEM) that can be read") from None


class Message(NamedTuple):
    """A message as it came; `connection` counts the session's connections: its number holds for that one only."""

    topic: str
    payload: bytes
    arrived: datetime
    retained: bool
    number: int
    qos: int
    connection: int
    lasting: bool
    """Whether it came by a lasting session: it may have waited there."""


class Receiver:
    """Listens at a broker from a thread of its own, and tries again for as long as it takes.

    A passing one may put its messages `among` those of a lasting one, which gives out both.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        session_s: int = SESSION_S,
        among: Receiver | None = None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._queue: Queue[Message] = among._queue if among else Queue()
        self._lasting, self._now = session_s > 0, now
        self._lock = Lock()
        self._connection = 0
        self._topics: set[str] = set()
        self._left: dict[int, Sequence[str]] = {}
        self._gone: list[str] = []
        self._asked: dict[int, Sequence[str]] = {}
        self._refused: set[str] = set()
        self.connected = False
        self._reason: str = NOT_YET
        self._client = self._made(broker)
        self._client.connect_async(
            *broker.host_and_port(),
            keepalive=KEEPALIVE_S,
            clean_start=not self._lasting,
            properties=_session(session_s),
        )
        self._client.loop_start()

    def _made(self, broker: Broker) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=broker.client_id, protocol=MQTTv5, manual_ack=True
        )
        if broker.user is not None:
            client.username_pw_set(broker.user, broker.password)
        tls = broker.tls()
        if tls is not None:
            client.tls_set_context(tls)
        client.reconnect_delay_set(FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        return client

    @property
    def hindrance(self) -> str:
        """Return what hinders listening (in English, after a colon what others say of it), empty if nothing does."""
        with self._lock:
            if not self.connected:
                return self._reason
            refused = ", ".join(sorted(self._refused & self._topics))
            return f"{NOT_ALLOWED}: {refused}" if refused else ""

    @property
    def is_hopeful(self) -> bool:
        """Return whether it is connected, or may be in a moment: nothing has failed yet."""
        return self.connected or self._reason == NOT_YET

    @property
    def topics(self) -> set[str]:
        """Return the filters that it listens to."""
        return set(self._topics)

    def listen_to(self, topics: Collection[str]) -> None:
        """Subscribe to these filters, at once and after every connection; those already known are left alone."""
        with self._lock:
            new = set(topics) - self._topics
            self._topics |= new
            if self.connected and new:
                self._subscribe(new)

    def leave(self, topics: Collection[str]) -> None:
        """End subscriptions, if there is a connection; `left` gives them once the broker has."""
        with self._lock:
            self._topics -= set(topics)
            waiting = {topic for pending in self._left.values() for topic in pending}
            ending = [topic for topic in topics if topic not in waiting]
            if self.connected and ending:
                _, number = self._client.unsubscribe(ending)
                if number is not None:
                    self._left[number] = ending

    def left(self) -> list[str]:
        """Return the filters to which the broker has ended the subscription since this was asked last."""
        with self._lock:
            gone, self._gone = self._gone, []
        return gone

    def take(self, wait_s: float, most: int) -> list[Message]:
        """Return what has come, waiting a while for the first, and for more as long as it follows at once."""
        found: list[Message] = []
        with suppress(Empty):
            found.append(self._queue.get(timeout=wait_s))
            until = monotonic() + LONGEST_GATHERING_S
            while len(found) < most and monotonic() < until:
                found.append(self._queue.get(timeout=AT_ONCE_S))
        return [message for message in found if self._is_current(message) or not self._is_mine(message)]

    def _is_mine(self, message: Message) -> bool:
        return message.lasting == self._lasting

    def _is_current(self, message: Message) -> bool:
        return self._is_mine(message) and message.connection == self._connection

    def kept(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages that are kept; those of an earlier connection come again by themselves."""
        with self._lock:
            for message in messages:
                if self._is_current(message):
                    self._client.ack(message.number, message.qos)

    def close(self) -> None:
        """Stop listening; the broker keeps the session."""
        self._client.disconnect()
        self._client.loop_stop()

    def _subscribe(self, topics: Collection[str]) -> None:
        # Of a retained message is told once, not after every connection (retainHandling, MQTT 5.0, 3.8.3.1).
        options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        wanted = sorted(topics)
        _, number = self._client.subscribe([(topic, options) for topic in wanted])
        if number is not None:
            self._asked[number] = wanted

    # From the client's thread

    def _on_connect(
        self,
        client: Client,
        userdata: Any,
        flags: ConnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        del client, userdata, flags, properties
        with self._lock:
            self._connection += 1
            self._left, self._asked, self._refused = {}, {}, set()
            self.connected, self._reason = not code.is_failure, f"{REFUSES}: {code.getName()}"
            if self.connected and self._topics:
                self._subscribe(self._topics)

    def _on_connect_fail(self, client: Client, userdata: Any) -> None:
        del client, userdata
        # The library calls this while it handles what happened and gives it to nobody.
        error = sys.exception()
        if isinstance(error, ssl.SSLCertVerificationError):
            self._reason = f"{NOT_TRUSTED}: {error.verify_message.rstrip('.')}"
        else:
            self._reason = f"{UNREACHED}: {error}" if error else UNREACHED

    def _on_disconnect(
        self,
        client: Client,
        userdata: Any,
        flags: DisconnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        del client, userdata, flags, properties
        with self._lock:
            self._connection += 1
            if self.connected:
                self._reason = f"{ENDED}: {code.getName()}"
            elif not self._reason.startswith(REFUSES):
                self._reason = SILENT
            self.connected = False

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        del client, userdata
        found = Message(
            message.topic,
            bytes(message.payload),
            self._now(),
            bool(message.retain),
            message.mid,
            message.qos,
            self._connection,
            self._lasting,
        )
        self._queue.put(found)

    def _on_subscribe(
        self,
        client: Client,
        userdata: Any,
        number: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        del client, userdata, properties
        with self._lock:
            asked = zip(self._asked.pop(number, []), codes, strict=False)
            self._refused |= {topic for topic, code in asked if code.is_failure}

    def _on_unsubscribe(
        self,
        client: Client,
        userdata: Any,
        number: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        del client, userdata, codes, properties
        with self._lock:
            self._gone += self._left.pop(number, [])


def _session(lasting_s: int) -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = lasting_s
    properties.ReceiveMaximum = UNACKNOWLEDGED
    return properties
