"""Weather as programs send it: lists on one grid, each optional. Judges form and bounds; knows no physics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from service.intake import fields
from service.intake.batch import Batch, Limits, keep_plausible
from service.intake.problems import FieldError, Refused, field_path
from service.store.grids import FloatArray, Samples

SENSOR = "poa_w_m2"
BOUNDS = {
    "ghi_w_m2": Limits(-20, 2000),
    "dni_w_m2": Limits(-20, 1500),
    "dhi_w_m2": Limits(-20, 1500),
    "air_temp_c": Limits(-90, 60),
    "wind_m_s": Limits(0, 120),
    SENSOR: Limits(-20, 2000),
}
"""At night a pyranometer reads a little below zero, under broken cloud it may exceed the solar constant of
1361 W/m2; temperatures and winds reach a little beyond the extremes on record. From memory."""


def samples_from_weather(data: Any) -> list[Samples]:
    """Return the lists as samples; a plane's sensor has the channel `poa_w_m2:PLANE`."""
    if not isinstance(data, dict):
        raise Refused.one("", "must be an object with interval_min, start and lists such as ghi_w_m2")
    errors = fields.unknown(data, "", ("interval_min", "start", *BOUNDS))
    step = fields.interval(data.get("interval_min"), "", errors) * 60
    start = fields.time(data.get("start"), "start", errors)
    if start % 60:
        errors.append(FieldError("start", "must be a whole minute; round it"))
    columns = [c for name in BOUNDS if data.get(name) is not None for c in _lists(name, data[name], errors)]
    if not any(name in data for name in BOUNDS):
        errors.append(FieldError("ghi_w_m2", f"is required; add it, or one of {', '.join(BOUNDS)}"))
    longest = max((values.size for _, values in columns), default=0)
    if start + longest * step > fields.LATEST:
        errors.append(FieldError("start", "leads beyond the year 2100; correct it"))
    fields.refuse(errors)
    starts = start + step * np.arange(longest, dtype=np.int64)
    return [Samples("", channel, step // 60, starts[: v.size], v) for channel, v in columns]


def _lists(name: str, given: Any, errors: fields.Errors) -> Iterator[tuple[str, FloatArray]]:
    if name != SENSOR:
        yield name, fields.values(given, name, errors)
    elif isinstance(given, dict):
        for plane, values in given.items():
            yield (
                f"{SENSOR}:{plane.strip()}",
                fields.values(values, f"{SENSOR}.{field_path([plane])}", errors),
            )
    else:
        errors.append(FieldError(SENSOR, "must be an object with one list for each plane's name"))


def checked(sent: list[Samples], record: Mapping[str, Any]) -> Batch:
    """Return what can be right of the weather; Refused if it names a plane that the record does not have."""
    planes = {f"{SENSOR}:{plane['name']}" for plane in record["planes"]}
    strange = [s.channel for s in sent if s.channel.startswith(f"{SENSOR}:") and s.channel not in planes]
    remedy = "names none of the site's planes; correct it or add the plane to the record"
    fields.refuse([FieldError(f"{SENSOR}.{field_path([c.partition(':')[2]])}", remedy) for c in strange])
    return keep_plausible(sent, [BOUNDS[s.channel.partition(":")[0]] for s in sent])
