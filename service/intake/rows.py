"""Gathers single rows of readings, from whatever form, into samples per unit, channel and interval."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import numpy as np

from service.intake import fields
from service.intake.problems import FieldError
from service.store.grids import Samples
from service.store.readings import CHANNELS

LARGEST_ERRORS = 1000
"""After so many errors the rest is not looked at."""

_CHANNELS = frozenset(CHANNELS)

T = TypeVar("T")
_Read = Callable[[Any, str, fields.Errors], T]


class Rows:
    """Takes rows one by one; serials and starts come again and again, so each text is read once."""

    def __init__(self, errors: fields.Errors) -> None:
        """Start with the errors already found."""
        self.errors = errors
        self._serials: dict[str, str] = {}
        self._starts: dict[str, int] = {}
        self._found: dict[tuple[str, str, int], tuple[list[int], list[Any]]] = {}

    def add(self, row: Mapping[str, Any], place: str, interval_min: int) -> None:
        """Take the row's channels; `serial` and `start` are texts as sent."""
        if len(self.errors) >= LARGEST_ERRORS:
            return
        serial = self._once(fields.serial, self._serials, row, "serial", place)
        start = self._once(fields.time, self._starts, row, "start", place)
        channels = [name for name in row if name in _CHANNELS]
        for name in channels:
            self._add(serial, name, interval_min, start, row[name], place)
        if not channels:
            self.errors.append(FieldError(f"{place}.energy_wh", "is required; add it (or power_w)"))

    def samples(self) -> list[Samples]:
        """Return what was gathered; Refused if any row was wrong."""
        fields.refuse(self.errors)
        return [
            Samples(serial, name, interval_min, np.array(starts, dtype=np.int64), fields.as_array(values))
            for (serial, name, interval_min), (starts, values) in self._found.items()
        ]

    def _add(self, serial: str, channel: str, interval_min: int, start: int, value: Any, place: str) -> None:
        if type(value) not in fields.VALUE_TYPES:
            self.errors.append(FieldError(f"{place}.{channel}", "must be a number or null"))
            return
        starts, values = self._found.setdefault((serial, channel, interval_min), ([], []))
        starts.append(start)
        values.append(value)

    def _once(self, read: _Read[T], known: dict[str, T], row: Mapping[str, Any], name: str, place: str) -> T:
        given = row.get(name)
        if isinstance(given, str) and given in known:
            return known[given]
        before = len(self.errors)
        value = read(given, f"{place}.{name}", self.errors)
        if isinstance(given, str) and len(self.errors) == before:
            known[given] = value
        return value
