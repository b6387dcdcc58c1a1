"""Devices on Modbus TCP whose registers their manual lists: the configuration says what stands where."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from math import isfinite
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pymodbus.client import ModbusTcpClient

from service.collect import clock
from service.collect.config import Part, wrong
from service.collect.modbus_line import TABLES, Line, LinePart, Read, of_each
from service.intake.live.model import KINDS, Sample, same_channel

TYPES = ModbusTcpClient.DATATYPE
LAST = 65_535


def _kind(given: str) -> str:
    if given not in KINDS or given.startswith("energy"):
        known = ", ".join(k for k in KINDS if not k.startswith("energy"))
        raise wrong(f"is not a value that registers hold; it must be one of {known}")
    return given


class Register(Part):
    """Where a value stands and how it is written."""

    kind: Annotated[str, AfterValidator(_kind)]
    address: int = Field(ge=0, le=LAST)
    """Counted from 0, as on the wire: 40001 of a manual is 0 of the holding registers."""
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
    table: TABLES = "holding"
    words: Literal["big", "little"] = "big"
    """Which of several registers comes first: the one with the high part (big) or the low part."""
    factor: float = Field(default=1.0, allow_inf_nan=False)
    missing: tuple[int, ...] = ()
    """What the device writes where it has no value, as whole numbers before the factor."""

    @property
    def length(self) -> int:
        """Return how many registers it takes."""
        return int(TYPES[self.type.upper()].value[1])

    def value(self, registers: list[int]) -> float | None:
        """Return the value, None where there is none."""
        found = ModbusTcpClient.convert_from_registers(registers, TYPES[self.type.upper()], self.words)
        value = float(found) if isinstance(found, int | float) else float("nan")
        return None if value in self.missing or not isfinite(value) else value * self.factor


class Unit(Part):
    """One unit: the device that has its values and, if one device has several units', how far on its own lie."""

    serial: str = Field(min_length=1, max_length=80)
    device: int = Field(default=1, ge=0, le=255)
    offset: int = Field(default=0, ge=0, le=LAST)


class Registers(LinePart):
    """Reads the same registers of every unit."""

    kind: Literal["modbus"]
    unit: tuple[Unit, ...] = Field(min_length=1, max_length=1000)
    register_: tuple[Register, ...] = Field(alias="register", min_length=1, max_length=50)

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        serials = [u.serial for u in self.unit]
        places = [(u.device, u.offset) for u in self.unit]
        if len(set(serials)) < len(serials) or len(set(places)) < len(places):
            raise wrong("has two units with one serial, or with one device and offset; correct one of them")
        for twice in same_channel(r.kind for r in self.register_):
            raise wrong(f"reads the same of a unit from two registers ({', '.join(twice)}); leave one out")
        last = max(r.address + r.length for r in self.register_) + max(u.offset for u in self.unit)
        if last > LAST + 1:
            raise wrong("leads past the last register (65535); correct address or offset")
        return self

    def reader(self, line: Line) -> Read:
        """Return what reads all units once over the line."""
        return lambda stop: of_each(self.unit, lambda u: u.serial, lambda u: self._of(line, u), stop)

    def units(self, _: list[Sample]) -> int:
        """Return how many units were asked."""
        return len(self.unit)

    def _of(self, line: Line, unit: Unit) -> Iterator[Sample]:
        for block in self._blocks:
            first = block[0].address
            count = sum(register.length for register in block)
            held = line.read(unit.device, unit.offset + first, count, block[0].table)
            at = clock.now()
            for register in block:
                value = register.value(held[register.address - first :][: register.length])
                if value is not None:
                    yield Sample(unit.serial, register.kind, at, value)

    @cached_property
    def _blocks(self) -> list[list[Register]]:
        """Return the registers that lie side by side together: one request each, and none for what nobody named."""
        blocks: list[list[Register]] = []
        for register in sorted(self.register_, key=lambda r: (r.table, r.address)):
            last = blocks[-1][-1] if blocks else None
            if last and (last.table, last.address + last.length) == (register.table, register.address):
                blocks[-1].append(register)
            else:
                blocks.append([register])
        return blocks
