"""Devices that publish on topics of an MQTT broker in the site's network.

A message is acknowledged once its values are on disk. So a collector that is killed or finds its disk full loses none,
as long as the device publishes with QoS 1, the values carry their own time, and the broker keeps the session. Values
without a time are heard while they are listened to, and not after they waited.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Event
from time import monotonic
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, SecretStr, model_validator

from service.collect import clock
from service.collect.config import SourcePart, wrong
from service.collect.layout import Layout
from service.collect.polling import note
from service.collect.seen import seen
from service.collect.source import Sink
from service.collect.trouble import Trouble
from service.intake.live import topics
from service.intake.live.broker import SESSION_S, Broker, Message, Receiver, WrongBroker, remedy
from service.intake.live.messages import understood
from service.intake.live.model import Sample
from service.intake.live.payload import PayloadSpec

MOST_AT_ONCE = 500
WAIT_S = 0.5
ONCE_S = 5.0
"""How long a single reading waits for what the broker has kept."""

PROBE_S = 20.0
FULL_S = 5.0
"""How long to wait before the disk is tried again."""

AWAY_S = 5.0
"""Without a connection for so long it is told."""

PROBLEMS_TOLD = 2


def _topic(pattern: str) -> str:
    problem = topics.wrong(pattern)
    if problem is not None:
        raise wrong(problem)
    return pattern


class MqttSource(SourcePart):
    """Listens to one filter of one broker."""

    kind: Literal["mqtt"]
    url: str
    """`mqtts://USER@HOST:8883`, or `mqtt://` where nobody can listen in."""
    password: SecretStr | None = None
    ca_file: Path | None = None
    client_id: str = Field(default="yieldproof-collector", pattern=r"^[0-9A-Za-z_-]{1,64}$")
    """Another one for each source at the broker: under it the broker keeps what comes meanwhile."""
    topic: Annotated[str, AfterValidator(_topic)]
    payload: PayloadSpec
    serials: dict[str, str] = Field(default_factory=dict)
    """The serials on record of units that are called otherwise."""

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        try:
            self.broker(self.client_id).check()
        except WrongBroker as error:
            raise wrong(f"cannot be used, since its {error.field} {error.message}") from None
        return self

    def broker(self, client_id: str) -> Broker:
        """Return the broker, spoken to under that name."""
        password = self.password.get_secret_value() if self.password else None
        return Broker(self.url, client_id, password, str(self.ca_file) if self.ca_file else None)

    def run(self, sink: Sink, stop: Event) -> None:
        """Listen until told to stop."""
        until = monotonic() + ONCE_S if stop.is_set() else None
        session_s = SESSION_S if self.payload.time else 0
        receiver = Receiver(self.broker(self.client_id), session_s=session_s, now=clock.now)
        listening = _Listening(self, receiver, sink)
        try:
            receiver.listen_to([topics.as_filter(self.topic)])
            while not stop.is_set() if until is None else monotonic() < until:
                listening.take(stop)
        finally:
            receiver.close()

    def probe(self) -> str:
        """Wait for a message, under a name that leaves nothing behind at the broker, and say what it holds."""
        receiver = Receiver(self.broker(f"{self.client_id}-check"), session_s=0, now=clock.now)
        try:
            receiver.listen_to([topics.as_filter(self.topic)])
            messages = _first(receiver)
            hindrance = receiver.hindrance
        finally:
            receiver.close()
        if not messages:
            if hindrance:
                raise Trouble(_told(hindrance))
            return (
                f"connected; no message came within {PROBE_S:g} s: well if none was due, else check the topic"
            )
        found, problems = self.read(messages)
        if problems:
            raise Trouble(" ".join(problems))
        return seen(found, asked={kind: value.path for kind, value in self.payload.values.items()})

    def read(self, messages: Sequence[Message]) -> tuple[list[Sample], list[str]]:
        """Return the samples of messages, and what of them was not understood."""
        found: list[Sample] = []
        problems = []
        for message in messages:
            arrived = clock.CLOCK.latest() if self.payload.time else message.arrived
            samples, wrongs = understood(
                self.payload, self.topic, message.topic, message.payload, arrived, retained=message.retained
            )
            found += [replace(s, serial=self.serials.get(s.serial, s.serial)) for s in samples]
            problems += [f"On {message.topic[:200]}: {f'{p.field} {p.message}'.strip()}." for p in wrongs]
        return found, problems

    def layout(self, usual_min: int) -> Layout:
        """Return the payload's intervals."""
        del usual_min
        return Layout(self.payload.interval_min, self.payload.label or "start")


@dataclass
class _Listening:
    source: MqttSource
    receiver: Receiver
    sink: Sink
    connected_at: float = field(default_factory=monotonic)
    told: str = ""
    """That there is no connection, where that was told."""

    def take(self, stop: Event) -> None:
        """Keep what has come, then acknowledge it."""
        messages = self.receiver.take(WAIT_S, MOST_AT_ONCE)
        if not messages:
            self._say_how_it_stands()
            return
        found, problems = self.source.read(messages)
        kept = self._is_kept(found)
        # Those without a time are not held up: what comes behind them would have the wrong one.
        while not kept and self.source.payload.time:
            if stop.wait(FULL_S):
                return  # they come again
            kept = self._is_kept(found)
        self.receiver.kept(messages)
        if not kept:
            return
        if problems:
            note(self.source.name, self.sink, Trouble(" ".join(problems[:PROBLEMS_TOLD])))
        else:
            self.sink.heard(self.source.name)
            self.told = ""

    def _is_kept(self, found: Sequence[Sample]) -> bool:
        try:
            self.sink.samples(self.source.name, found)
        except Trouble as trouble:
            note(self.source.name, self.sink, trouble)
            return False
        return True

    def _say_how_it_stands(self) -> None:
        hindrance = self.receiver.hindrance
        if not hindrance:
            self.connected_at = monotonic()
            if self.told:
                self.told = ""
                self.sink.heard(self.source.name)
        elif monotonic() - self.connected_at > AWAY_S and self.told != _told(hindrance):
            self.told = _told(hindrance)
            note(self.source.name, self.sink, Trouble(self.told))


def _first(receiver: Receiver) -> list[Message]:
    """Return a message as soon as one comes, none if there is no connection or none came for a while."""
    until = monotonic() + PROBE_S
    messages: list[Message] = []
    while not messages and receiver.is_hopeful and monotonic() < until:
        messages = receiver.take(min(WAIT_S, PROBE_S), 1)
    return messages


def _told(hindrance: str) -> str:
    """Return what hinders and what to do."""
    return f"The broker cannot be listened to: {hindrance}; {remedy(hindrance)}."
