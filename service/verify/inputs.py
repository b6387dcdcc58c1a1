"""What a verification is made from: readings of all units on one grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.expect.weather import Weather

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Readings:
    """Readings on one grid of T intervals, labelled by their start.

    `energy_wh` is (U, T) in the order of `site.units`, Wh per interval as sent, NaN where not heard.
    `channels` holds further (U, T) arrays by the contract's names (`dc_voltage_v`, …), absent where never sent.
    `strangers` holds (T,) energies of serials that are not on the record.
    """

    start: datetime
    interval_min: int
    energy_wh: FloatArray
    channels: Mapping[str, FloatArray] = field(default_factory=dict)
    strangers: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Return T, the number of intervals."""
        return int(self.energy_wh.shape[1])


@dataclass(frozen=True)
class FromService:
    """What an open weather service says of the window: its name, when it said so, and its irradiance if it has any.

    `air_temp`: whether the weather beside it has the service's temperature in it. `light_sd` and `light_day_sd` are
    the standard uncertainties of its irradiation: the share that stays however long the window is, and that of a day.
    """

    name: str
    fetched_at: datetime
    air_temp: bool
    light: Weather | None = None
    light_sd: float = 0.1
    light_day_sd: float = 0.3
