"""One value as a live source gave it, before it is laid into an interval."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.intake.export.model import QUANTITIES

CHANNELS = ("dc_voltage_v", "ac_voltage_v", "frequency_hz", "temperature_c", "signal_pct")
"""What a unit may report beside power and energy, by the contract's names."""

KINDS = (*QUANTITIES, *CHANNELS)


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
