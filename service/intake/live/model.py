"""One value as a live source gave it, before it is laid into an interval."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from service.intake.export.model import QUANTITIES

CHANNELS = ("dc_voltage_v", "ac_voltage_v", "frequency_hz", "temperature_c", "signal_pct")
"""What a unit may report beside power and energy, by the contract's names."""

KINDS = (*QUANTITIES, *CHANNELS)


def channel_of(kind: str) -> str:
    """Return the channel of the contract that values of a kind become."""
    name = kind.partition("_")[0]
    return {"power": "power_w", "counter": "energy_wh", "energy": "energy_wh"}.get(name, kind)


def same_channel(kinds: Iterable[str]) -> list[list[str]]:
    """Return kinds that become one channel, where there are several: each would say what a unit made."""
    by_channel: dict[str, list[str]] = {}
    for kind in kinds:
        by_channel.setdefault(channel_of(kind), []).append(kind)
    return [found for found in by_channel.values() if len(found) > 1]


@dataclass(frozen=True, slots=True)
class Sample:
    """A unit's value at a moment (UTC).

    `kind` is one of `KINDS`: a power or a channel is what was measured at that moment, a counter what it stood at, an
    energy what was made in the interval that the moment labels.
    """

    serial: str
    kind: str
    at: datetime
    value: float
