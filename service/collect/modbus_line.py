"""One TCP connection to whatever answers by the open Modbus protocol: a device, or a gateway with devices behind it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from threading import Event
from typing import Literal, TypeVar

from pydantic import Field
from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from service.collect.config import SourcePart
from service.collect.layout import Layout, polled
from service.collect.polling import poll
from service.collect.seen import seen
from service.collect.source import Sink
from service.collect.trouble import Trouble
from service.intake.live.model import Sample

# What fails is told once as a trouble; the library would say it again with every attempt.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

MOST_AT_ONCE = 125
"""Registers that one request may ask for (Modbus Application Protocol V1.1b3, 6.3)."""

NAMED = 3
"""Devices whose trouble is told by name; the rest is counted."""

TABLES = Literal["holding", "input"]

_ANSWERS = {
    1: "it does not know this kind of request; take the other table (holding or input)",
    2: "there are no such registers; correct the address",
    3: "it does not take this request; ask for fewer registers",
    4: "it reports a fault of its own",
    6: "it is busy",
    10: "the gateway does not know the way to it",
    11: "the gateway hears nothing of it: by night or without power that is usual",
}
"""What the exception codes say (the same, section 7)."""

BEFORE_THE_DEVICE = (10, 11)
"""The codes by which a gateway speaks for itself."""

T = TypeVar("T")
Read = Callable[[Event | None], tuple[list[Sample], list[str]]]
"""Reads until told to stop: the samples, and of each that was silent its name and why."""


class LinePart(SourcePart):
    """Settings of every source on such a connection."""

    host: str = Field(min_length=1, max_length=253)
    port: int = Field(default=502, ge=1, le=65_535)
    every_s: float = Field(default=60, ge=1, le=3600)
    timeout_s: float = Field(default=3, gt=0, le=60)
    interval_min: Literal[5, 10, 15, 30, 60] | None = None

    def layout(self, usual_min: int) -> Layout:
        """Return its intervals; power runs straight over a missed poll."""
        return polled(self.interval_min or usual_min, self.every_s)

    def reader(self, line: Line) -> Read:
        """Return what reads all devices once over the line."""
        raise NotImplementedError

    def units(self, found: list[Sample]) -> int:
        """Return how many units were read."""
        return len({sample.serial for sample in found})

    def run(self, sink: Sink, stop: Event) -> None:
        """Read until told to stop."""
        with self.line() as line:
            read = self.reader(line)
            poll(self.name, sink, stop, self.every_s, lambda: self._once(read, sink, stop))

    def probe(self) -> str:
        """Read once and say what came."""
        with self.line() as line:
            found, silent = self.reader(line)(None)
        if silent:
            raise not_all(silent)
        return seen(found, self.units(found))

    def _once(self, read: Read, sink: Sink, stop: Event) -> None:
        found, silent = read(stop)
        sink.samples(self.name, found)
        if silent:
            raise not_all(silent)

    @contextmanager
    def line(self) -> Iterator[Line]:
        """Give the connection, which is made once it is needed, and close it at the end."""
        made = Line(self.host, self.port, self.timeout_s)
        try:
            yield made
        finally:
            made.close()


class Line:
    """The connection. After a failure it is closed, so that no late answer is taken for the next one's."""

    def __init__(self, host: str, port: int, timeout_s: float) -> None:
        self._place = f"{host}, port {port}"
        self._client = ModbusTcpClient(host, port=port, timeout=timeout_s, retries=0)

    def read(self, device: int, address: int, count: int, table: TABLES = "holding") -> list[int]:
        """Return `count` registers from an address, counted from 0, of the device of that number; Silent or Trouble."""
        if not self._client.connect():  # type: ignore[no-untyped-call]
            raise Trouble(
                f"Nothing answers at {self._place}; check power, network, host and port, and whether the device lets"
                " Modbus TCP in."
            )
        found: list[int] = []
        while len(found) < count:
            part = min(MOST_AT_ONCE, count - len(found))
            found += self._once(device, address + len(found), part, table)
        return found

    def close(self) -> None:
        """End the connection."""
        self._client.close()  # type: ignore[no-untyped-call]

    def _once(self, device: int, address: int, count: int, table: TABLES) -> list[int]:
        ask = self._client.read_holding_registers if table == "holding" else self._client.read_input_registers
        try:
            answer = ask(address, count=count, device_id=device)
        except (ModbusException, OSError):
            self.close()
            raise Silent("it does not answer", is_answer=False) from None
        if answer.isError():
            code = answer.exception_code
            why = _ANSWERS.get(code, f"it answers with code {code}")
            raise Silent(why, is_answer=code not in BEFORE_THE_DEVICE)
        if len(answer.registers) != count:
            self.close()
            raise Silent("its answer is not as long as it must be")
        return list(answer.registers)


class Silent(Exception):  # noqa: N818 - a state of the world, not a fault of the program
    """One device does not give what was asked for; the message says why. The others are asked all the same."""

    def __init__(self, why: str, *, is_answer: bool = True) -> None:
        super().__init__(why)
        self.is_answer = is_answer
        """Whether the device itself said so."""


def of_each(
    things: Iterable[T],
    name: Callable[[T], str],
    ask: Callable[[T], Iterable[Sample]],
    stop: Event | None = None,
) -> tuple[list[Sample], list[str]]:
    """Ask of one thing after the other; return the samples, and for each that was silent its name and why."""
    found: list[Sample] = []
    silent: list[str] = []
    for thing in things:
        if stop is not None and stop.is_set():
            break
        try:
            found.extend(ask(thing))
        except Silent as why:
            silent.append(f"{name(thing)}: {why}")
    return found, silent


def not_all(silent: list[str]) -> Trouble:
    """Return what is the matter with those that were silent."""
    more = f"; and {len(silent) - NAMED} more" if len(silent) > NAMED else ""
    return Trouble(f"Not all was read: {'; '.join(silent[:NAMED])}{more}.")
