"""Which days of a site's own zone a batch reaches, by its labels and by the times that these stand for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.store.grids import Samples, moment

HOUR_S = 3600


def days_reached(batch: Iterable[Samples], record: Mapping[str, Any]) -> set[date]:
    """Return the days that a batch has values for, on the record's clock and without it."""
    hours = {int(h) for samples in batch for h in np.unique(_heard(samples) // HOUR_S)}
    late_min = {0, *(int(change["minutes"]) for change in record.get("clock") or ())}
    edges = {
        hour * HOUR_S + part - 60 * late for hour in hours for late in late_min for part in (0, HOUR_S - 1)
    }
    zone = ZoneInfo(record["timezone"])
    return {moment(second).astimezone(zone).date() for second in edges}


def _heard(samples: Samples) -> Any:
    return samples.starts[np.isfinite(samples.values)]
