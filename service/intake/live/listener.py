"""Listens at the installation's broker and keeps what comes on the sites' feeds, then acknowledges it.

One process of all that share a database listens at a time; the others stand by. A message that nobody understands is
acknowledged too, since it would come again for ever, and is counted and shown on its feed. Whatever fails, nothing is
acknowledged that is not kept, so that the broker sends it again. Feeds whose values have no time of their own are
listened to by a session that ends with the connection: what waited at the broker would count for its arrival.
"""

from __future__ import annotations

import json
import logging
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from threading import Event, Thread
from time import monotonic

from paho.mqtt.matcher import MQTTMatcher
from sqlalchemy import Engine

from service.intake.live.broker import NOT_YET, Broker, Message, Receiver, WrongBroker, remedy
from service.intake.live.lay import microseconds
from service.intake.live.messages import understood
from service.intake.live.payload import PayloadSpec
from service.intake.live.topics import as_filter
from service.settings import PREFIX, Settings, SettingsError
from service.store import feeds
from service.store.database import reading, writing
from service.store.feeds import Heard, Key, Listened, Seen, Value
from service.store.turns import Turn

log = logging.getLogger(__name__)

REFRESH_S = 3
"""How often the feeds are read anew; a change of them takes effect after so long."""

STANDBY_S = 5
PASSING = "-now"
"""What the name at the broker ends with for feeds whose values have no time of their own."""

MOST_AT_ONCE = 1000
WAIT_S = 0.5
LONGEST_BACK_OFF_S = 30
LONGEST_STOP_S = 10
LONGEST_TOPIC = 500
LONGEST_REASON = 1000


def broker_of(settings: Settings) -> Broker | None:
    """Return the installation's broker, None without one; SettingsError if it cannot be spoken to as it is set."""
    if not settings.mqtt_url:
        return None
    password = settings.mqtt_password.get_secret_value() if settings.mqtt_password else None
    ca_file = str(settings.mqtt_ca_file) if settings.mqtt_ca_file else None
    broker = Broker(settings.mqtt_url, settings.mqtt_client_id, password, ca_file)
    try:
        broker.check()
    except WrongBroker as wrong:
        raise SettingsError(f"{PREFIX}MQTT_{wrong.field.upper()} {wrong.message}.") from None
    return broker


class ListenerThread:
    """The listener as a thread of a server or a worker."""

    def __init__(self, engine: Engine, broker: Broker) -> None:
        """Start it."""
        self._stop = Event()
        self._thread = Thread(target=listen, args=(engine, broker, self._stop), name="listener", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop listening, and wait until what was taken is kept."""
        self._stop.set()
        self._thread.join(LONGEST_STOP_S)

    def is_alive(self) -> bool:
        """Return whether it goes on."""
        return self._thread.is_alive()


def listen(engine: Engine, broker: Broker, stop: Event) -> None:
    """Listen whenever it is this process's turn, until told to stop."""
    back_off = 1
    while not stop.is_set():
        try:
            with Turn(engine, "listener") as turn:
                if turn.mine:
                    _Listening(engine, broker, turn).run(stop)
                    back_off = 1
            stop.wait(STANDBY_S)
        except Exception:
            log.exception("cannot listen at the broker now; it is tried again in %s s", back_off)
            stop.wait(back_off)
            back_off = min(2 * back_off, LONGEST_BACK_OFF_S)


@dataclass
class _Feeds:
    """The feeds as last read, by the filters that the broker knows."""

    by_key: dict[Key, Listened] = field(default_factory=dict)
    matcher: MQTTMatcher = field(default_factory=MQTTMatcher)

    @classmethod
    def known(cls, listened: Sequence[Listened]) -> _Feeds:
        found = cls({one.key: one for one in listened})
        by_filter: dict[str, list[Key]] = defaultdict(list)
        for one in listened:
            by_filter[as_filter(one.topic)].append(one.key)
        for pattern, keys in by_filter.items():
            found.matcher[pattern] = keys
        return found

    def filters(self, *, lasting: bool) -> set[str]:
        return {as_filter(one.topic) for one in self.by_key.values() if _has_time(one) == lasting}

    def of(self, message: Message) -> Iterator[Listened]:
        for keys in self.matcher.iter_match(message.topic):  # type: ignore[no-untyped-call]
            found = (self.by_key[key] for key in keys)
            yield from (one for one in found if _has_time(one) == message.lasting)


class _Listening:
    """One turn at listening."""

    def __init__(self, engine: Engine, broker: Broker, turn: Turn) -> None:
        self._engine, self._turn, self._broker = engine, turn, broker
        self._receiver = Receiver(broker)
        self._passing: Receiver | None = None
        self._feeds = _Feeds()
        self._said = ""

    def run(self, stop: Event) -> None:
        refreshed = -1e9
        try:
            while not stop.is_set():
                if monotonic() - refreshed > REFRESH_S:
                    self._turn.check()
                    self._refresh()
                    refreshed = monotonic()
                messages = self._receiver.take(WAIT_S, MOST_AT_ONCE)
                if messages:
                    keep(self._engine, self._feeds, messages)
                    for receiver in self._receivers:
                        receiver.kept(messages)
        finally:
            for receiver in self._receivers:
                receiver.close()

    @property
    def _receivers(self) -> list[Receiver]:
        return [self._receiver, *([self._passing] if self._passing else [])]

    def _refresh(self) -> None:
        """Read the feeds, let the broker know, and say how it stands with it."""
        with reading(self._engine) as session:
            self._feeds = _Feeds.known(feeds.all_listened(session))
            known = feeds.subscriptions(session)
        wanted, left = self._feeds.filters(lasting=True), set(self._receiver.left())
        self._refresh_passing(self._feeds.filters(lasting=False))
        receiver, receivers = self._receiver, self._receivers
        connected = all(one.connected for one in receivers)
        hindrance = next((one.hindrance for one in receivers if one.hindrance), "")
        with writing(self._engine) as session:
            feeds.say(session, connected=connected, reason=hindrance)
            feeds.subscribed(session, wanted - known)
            if left - wanted:
                feeds.unsubscribed(session, sorted(left - wanted))
        receiver.listen_to(wanted)
        receiver.leave(sorted(known - wanted - left))
        self._log(hindrance, connected=connected)

    def _refresh_passing(self, wanted: set[str]) -> None:
        if self._passing is None and wanted:
            named = replace(self._broker, client_id=f"{self._broker.client_id}{PASSING}")
            self._passing = Receiver(named, session_s=0, among=self._receiver)
        if self._passing is not None:
            self._passing.leave(self._passing.topics - wanted)
            self._passing.listen_to(wanted)

    def _log(self, hindrance: str, *, connected: bool) -> None:
        if hindrance == NOT_YET:
            return
        said = "connected to the broker" if connected else "no connection to the broker"
        if hindrance:
            said = f"{said}: {hindrance}; {remedy(hindrance)}"
        if said != self._said:
            log.log(logging.WARNING if hindrance else logging.INFO, said)
        self._said = said


def keep(engine: Engine, known: _Feeds, messages: Sequence[Message]) -> None:
    """Keep what messages say, all of it or nothing."""
    heard: dict[Key, Heard] = defaultdict(Heard)
    for message in messages:
        took = False
        for feed in known.of(message):
            _hear(heard[feed.key], feed, message)
            took = True
        if not took:
            log.warning("a message on the topic %.200r belongs to no feed; it is left aside", message.topic)
    arrived_us = microseconds(messages[-1].arrived)
    with writing(engine, durable=True) as session:
        for key in sorted(heard):
            feeds.keep(session, key, heard[key], arrived_us)


def _hear(heard: Heard, feed: Listened, message: Message) -> None:
    spec = _spec(json.dumps(feed.payload))
    found, problems = understood(
        spec, feed.topic, message.topic, message.payload, message.arrived, retained=message.retained
    )
    topic = message.topic[:LONGEST_TOPIC]
    heard.messages += 1
    heard.last = Seen(message.arrived, topic, message.payload)
    if problems:
        why = "; ".join(f"{p.field} {p.message}".strip() for p in problems)[:LONGEST_REASON]
        heard.wrong += 1
        heard.last_wrong = Seen(message.arrived, topic, message.payload, why)
    if feed.enabled:
        for sample in found:
            value = Value(sample.serial, sample.kind, microseconds(sample.at), sample.value)
            heard.values[value[:3]] = value


def _has_time(feed: Listened) -> bool:
    return feed.payload.get("time") is not None


@lru_cache(maxsize=5000)
def _spec(written: str) -> PayloadSpec:
    return PayloadSpec.model_validate_json(written)
