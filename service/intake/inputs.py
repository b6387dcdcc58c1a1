"""Which entries of a record are inputs of one inverter: metered apart, `SERIAL/2` and so on, under one AC rating."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Stay:
    """An entry's time on the roof, from the first local day to the first no longer; None is open."""

    serial: str
    begin: date | None
    end: date | None

    @property
    def device(self) -> str:
        """Return the serial without the number of an input."""
        head, _, tail = self.serial.rpartition("/")
        return head if head and tail.isdecimal() else self.serial

    def overlaps(self, other: Stay) -> bool:
        """Return whether both are on the roof at some time."""
        begin = max(self.begin or date.min, other.begin or date.min)
        return begin < min(self.end or date.max, other.end or date.max)


def inputs_beside(stays: Sequence[Stay]) -> list[list[int]]:
    """Return for each entry the places of those that share its inverter while it is on the roof, its own among them."""
    of_device: dict[str, list[int]] = {}
    for i, stay in enumerate(stays):
        of_device.setdefault(stay.device, []).append(i)
    return [
        [j for j in of_device[stay.device] if j == i or stay.overlaps(stays[j])]
        for i, stay in enumerate(stays)
    ]
