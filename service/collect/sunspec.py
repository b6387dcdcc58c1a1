"""Devices on Modbus TCP that describe themselves by the open SunSpec information models.

What a device has is found by walking its models once; after that only the ones that tell of energy are read. The models
and how their points are written come from the library of those who publish them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import isfinite
from threading import Event
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field
from sunspec2.device import ModelError
from sunspec2.modbus.client import SunSpecModbusClientDevice, SunSpecModbusClientError

from service.collect import clock
from service.collect.modbus_line import Line, LinePart, Read, Silent, of_each
from service.intake.live.model import Sample

COMMON = 1

INVERTER = {
    "counter_wh": "WH",
    "power_w": "W",
    "dc_voltage_v": "DCV",
    "ac_voltage_v": "PhVphA",
    "frequency_hz": "Hz",
    "temperature_c": "TmpCab",
}
DER = {**INVERTER, "counter_wh": "TotWhInj", "ac_voltage_v": "LNV"}
MODULE = {"counter_wh": "OutWh", "power_w": "OutPw", "dc_voltage_v": "InV", "temperature_c": "Tmp"}
INPUT = {"counter_wh": "DCWH", "power_w": "DCW", "dc_voltage_v": "DCV", "temperature_c": "Tmp"}

MODELS: Mapping[int, Mapping[str, str]] = {
    701: DER, 111: INVERTER, 112: INVERTER, 113: INVERTER, 101: INVERTER, 102: INVERTER, 103: INVERTER,
    501: MODULE, 502: MODULE,
}  # fmt: skip
"""Which point of a model is what, the model to be preferred first."""

INPUTS = 160
"""The model that has a group for each input of an inverter."""

COARSEST_WH = 1
"""A counter that counts in larger steps tells too little of five minutes; then power is taken."""

PLACES = (40_000, 0, 50_000)
"""Where the models may begin (SunSpec Device Information Model Specification, 3.1)."""

BEGINNING = [0x5375, 0x6E53]
"""The letters SunS."""

MOST_MODELS = 200

NOT_WELL_FORMED = (SunSpecModbusClientError, ModelError, ValueError, LookupError, TypeError, struct.error)
"""What the library raises over a device that does not keep to the models it names."""

DeviceNumber = Annotated[int, Field(ge=0, le=255)]


class SunSpec(LinePart):
    """Reads the devices of the numbers given."""

    kind: Literal["sunspec"]
    devices: tuple[DeviceNumber, ...] = Field(min_length=1, max_length=256)
    serials: dict[str, str] = Field(default_factory=dict)
    """The serials on record of units that the device calls otherwise, by its number or by what it calls them."""
    inputs: bool = False
    """Inputs metered apart: the serial, a slash and the input's number. They are metered on the DC side."""

    def reader(self, line: Line) -> Read:
        """Return what reads all devices once over the line; it keeps what it found of their models."""
        return _Reading(self, line).once


class _Part(NamedTuple):
    """Something with a serial: a device, or an input of one."""

    serial: str
    points: Mapping[str, Any]
    meanings: Mapping[str, str]


@dataclass
class _Reading:
    source: SunSpec
    line: Line
    known: dict[int, _Device] = field(default_factory=dict)

    def once(self, stop: Event | None) -> tuple[list[Sample], list[str]]:
        return of_each(self.source.devices, lambda number: f"device {number}", self._of, stop)

    def _of(self, number: int) -> Iterator[Sample]:
        device = self.known.pop(number, None)  # put back where it goes well: it may be another by then
        try:
            device = device or _Device(self.line, number)
            parts = device.parts(self.source.serials, inputs=self.source.inputs)
            at = clock.now()
            samples = [Sample(p.serial, kind, at, value) for p in parts for kind, value in _values(p)]
        except NOT_WELL_FORMED:
            raise Silent("what it says of itself is not well formed; read it by registers instead") from None
        self.known[number] = device
        yield from samples


class _Device(SunSpecModbusClientDevice):  # type: ignore[misc]  # the library is untyped
    """A device's models, read over a line that it shares with others."""

    def __init__(self, line: Line, number: int) -> None:
        super().__init__()
        self._line, self._number = line, number
        self.base_addr_list = [self._beginning()]
        self.scan(progress=self._not_endless, full_model_read=False)
        self.own_serial = self._own_serial()

    def read(self, addr: int, count: int) -> bytes:
        """Return registers as the library takes them."""
        return b"".join(r.to_bytes(2, "big") for r in self._line.read(self._number, int(addr), int(count)))

    def parts(self, serials: Mapping[str, str], *, inputs: bool) -> list[_Part]:
        """Read afresh and return what has values of its own."""
        serial = serials.get(str(self._number)) or serials.get(self.own_serial, self.own_serial)
        if not serial:
            raise Silent("it tells no serial number; give it under serials")
        if inputs:
            groups = self._fresh(INPUTS).groups["module"]
            return [_Part(f"{serial}/{n}", group.points, INPUT) for n, group in enumerate(groups, 1)]
        wanted = next((m for m in MODELS if m in self.models), None)
        if wanted is None:
            raise Silent("none of its models tells of energy; see in its manual how it gives it")
        return [_Part(serial, self._fresh(wanted).points, MODELS[wanted])]

    def _fresh(self, model: int) -> Any:
        if model not in self.models:
            raise Silent("it does not meter its inputs apart; leave out inputs")
        found = self.models[model][0]
        found.read()
        return found

    def _beginning(self) -> int:
        """Return where the models begin. The library would also take a line that is down for a place without."""
        why = Silent("it does not describe itself by SunSpec; switch that on, or read it by registers")
        for place in PLACES:
            try:
                if self._line.read(self._number, place, 2) == BEGINNING:
                    return place
            except Silent as silent:
                why = why if silent.is_answer else silent
        raise why

    def _own_serial(self) -> str:
        if COMMON not in self.models:
            return ""
        self.models[COMMON][0].read()
        return str(self.models[COMMON][0].points["SN"].value or "").strip()

    def _not_endless(self, _: str) -> bool:
        return sum(map(len, self.models.values())) < MOST_MODELS


def _values(part: _Part) -> Iterator[tuple[str, float]]:
    values = {kind: _value(part.points.get(name)) for kind, name in part.meanings.items()}
    less = "power_w" if values["counter_wh"] is not None and _step_wh(part) <= COARSEST_WH else "counter_wh"
    yield from ((kind, value) for kind, value in values.items() if kind != less and value is not None)


def _step_wh(part: _Part) -> float:
    return float(10 ** (part.points[part.meanings["counter_wh"]].sf_value or 0))


def _value(point: Any) -> float | None:
    found = None if point is None else point.cvalue
    return float(found) if isinstance(found, int | float) and isfinite(found) else None
