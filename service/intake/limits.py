"""What readings can be: bounds for each channel, and for energy and power the inverter's rating.

A value outside is kept out. Exception: where too high energies or powers are common and not stray, the batch as a
whole is wrong by one constant factor (another unit of measure). Then it is kept as it is, with one problem that
says so, and the verification finds the factor. Common is: of the units with positive values at least
`FACTOR_UNITS` are off, and these hold at least `FACTOR_VALUES` positive values; off is a unit of whose positive
values at least `FACTOR_SHARE` are too high, the highest not above `FACTOR_SPREAD` times the median (a day's curve
that is scaled keeps its shape, a counter's stray reading does not).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from service.intake.batch import Batch, Limits, Problem, keep_plausible
from service.store.grids import FloatArray, Samples

LARGEST_SHARE = 1.5
"""No inverter gives more than this times its rating, whatever the light; what is above was not measured."""

FACTOR_UNITS = 0.5
FACTOR_VALUES = 12
FACTOR_SHARE = 0.1
FACTOR_SPREAD = 50.0

RATED_CHANNELS = ("energy_wh", "power_w")
BOUNDS = {
    "dc_voltage_v": Limits(0, 1500),
    "ac_voltage_v": Limits(0, 1000),
    "frequency_hz": Limits(0, 100),
    "temperature_c": Limits(-60, 150),
    "signal_pct": Limits(0, 100),
}
"""Low voltage ends at 1500 V DC and 1000 V AC (IEC 60364); the others are common practice, no source."""


@dataclass(frozen=True)
class Ratings:
    """AC ratings by serial, W. A serial that is not on the record is taken for the largest inverter."""

    by_serial: Mapping[str, float]
    largest_w: float

    @classmethod
    def of_record(cls, record: Mapping[str, Any]) -> Ratings:
        """Return the ratings of a site record."""
        rated = {t["name"]: float(t["ac_rated_w"]) for t in record["inverter_types"]}
        return cls({u["serial"]: rated[u["inverter_type"]] for u in record["units"]}, max(rated.values()))

    def limits(self, samples: Samples) -> Limits:
        """Return what the samples' values can be."""
        if samples.channel not in RATED_CHANNELS:
            return BOUNDS[samples.channel]
        power_w = LARGEST_SHARE * self.by_serial.get(samples.serial, self.largest_w)
        highest = power_w * samples.interval_min / 60 if samples.channel == "energy_wh" else power_w
        return Limits(0, highest, "is far more than the inverter can give (at most {highest:g})")


def checked(sent: Iterable[Samples], record: Mapping[str, Any]) -> Batch:
    """Return what can be right of the samples."""
    samples, ratings = list(sent), Ratings.of_record(record)
    limits = [ratings.limits(s) for s in samples]
    off = [channel for channel in RATED_CHANNELS if _factor_is_off(channel, samples, limits)]
    opened = [
        replace(limit, highest=np.inf) if s.channel in off else limit
        for s, limit in zip(samples, limits, strict=True)
    ]
    return keep_plausible(samples, opened, [_remark(channel) for channel in off])


def _factor_is_off(channel: str, samples: Sequence[Samples], limits: Sequence[Limits]) -> bool:
    units: dict[str, list[FloatArray]] = {}
    for one, limit in zip(samples, limits, strict=True):
        if one.channel == channel:
            positive = one.values[np.isfinite(one.values) & (one.values > 0)]
            units.setdefault(one.serial, []).append(positive / limit.highest)
    shares = [s for s in map(np.concatenate, units.values()) if s.size]
    off = [s for s in shares if _is_off(s)]
    return sum(s.size for s in off) >= FACTOR_VALUES and len(off) >= FACTOR_UNITS * len(shares)


def _is_off(shares: FloatArray) -> bool:
    too_high = np.count_nonzero(shares > 1)
    return bool(too_high >= FACTOR_SHARE * shares.size and shares.max() <= FACTOR_SPREAD * np.median(shares))


def _remark(channel: str) -> Problem:
    text = (
        "is more than the inverters can give in so many readings that the batch seems to be in another unit of "
        "measure; it is kept, and the verification names the factor. Send Wh per interval, or W as power_w"
    )
    return Problem(None, None, channel, None, text)
