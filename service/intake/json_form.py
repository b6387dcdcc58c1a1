"""Readings as JSON: a table, rows, and several of either in `further`. Judges form only."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from service.intake import fields
from service.intake.problems import FieldError, Refused, field_path
from service.intake.rows import Rows
from service.store.grids import FloatArray, Samples
from service.store.readings import CHANNELS


def parse_json(body: bytes) -> Any:
    """Return the JSON value; Refused if it is none or names a field twice. NaN is read as infinity."""
    try:
        return json.loads(body, parse_constant=lambda _: fields.NOT_FINITE, object_pairs_hook=_object)
    except RecursionError:
        raise Refused.one("", "is nested too deeply to be read; send the plain form") from None
    except UnicodeDecodeError:
        raise Refused.one("", "is not valid UTF-8; encode it as UTF-8") from None
    except ValueError:
        raise Refused.one("", "is not valid JSON; check quotation marks, commas and brackets") from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in found if names.count(name) > 1)
        raise Refused.one(field_path([twice]), "is given twice in one object; send each name once")
    return found


def samples_from_json(data: Any) -> list[Samples]:
    """Return the samples of a table or of rows, and of those in `further` beside it."""
    found: list[Samples] = []
    for prefix, part in _parts(data):
        if not isinstance(part, dict):
            path = prefix.removesuffix(".")
            raise Refused.one(path, "must be an object with interval_min and a table or list of readings")
        found += _from_rows(part, prefix) if "readings" in part else _from_table(part, prefix)
    return found


def _parts(data: Any) -> Iterator[tuple[str, Any]]:
    further = data.get("further", []) if isinstance(data, dict) else []
    if not isinstance(further, list):
        raise Refused.one("further", "must be a list of tables")
    if any(isinstance(part, dict) and "further" in part for part in further):
        raise Refused.one("further", "must not hold another 'further'; put all tables in one list")
    yield "", data
    yield from ((f"further[{i}].", part) for i, part in enumerate(further))


def _from_table(data: dict[str, Any], prefix: str) -> list[Samples]:
    errors = fields.unknown(data, prefix, ("interval_min", "start", *CHANNELS, "further"))
    sent = [name for name in CHANNELS if name in data]
    if not sent:
        errors.append(FieldError(f"{prefix}energy_wh", "is required; add it (or power_w)"))
    step = fields.interval(data.get("interval_min"), prefix, errors) * 60
    start = fields.time(data.get("start"), f"{prefix}start", errors)
    columns = [(name, *c) for name in sent for c in _columns(data[name], f"{prefix}{name}", errors)]
    longest = max((values.size for _, _, values in columns), default=0)
    if start + longest * step > fields.LATEST:
        errors.append(FieldError(f"{prefix}start", "leads beyond the year 2100; correct it"))
    fields.refuse(errors)
    starts = start + step * np.arange(longest, dtype=np.int64)
    return [Samples(serial, name, step // 60, starts[: v.size], v) for name, serial, v in columns]


def _columns(data: Any, path: str, errors: fields.Errors) -> Iterator[tuple[str, FloatArray]]:
    if not isinstance(data, dict):
        errors.append(FieldError(path, "must be an object with one list for each serial"))
        return
    seen: set[str] = set()
    for key, values in data.items():
        place = f"{path}.{field_path([key])}"
        serial = fields.serial(key, place, errors)
        if serial in seen:
            errors.append(FieldError(place, "is given twice (spaces around it do not count); send it once"))
        seen.add(serial)
        yield serial, fields.values(values, place, errors)


def _from_rows(data: dict[str, Any], prefix: str) -> list[Samples]:
    rows = Rows(fields.unknown(data, prefix, ("interval_min", "readings", "further")))
    interval_min = fields.interval(data.get("interval_min"), prefix, rows.errors)
    if not isinstance(data["readings"], list):
        raise Refused.one(f"{prefix}readings", "must be a list of readings")
    for i, row in enumerate(data["readings"]):
        place = f"{prefix}readings[{i}]"
        if isinstance(row, dict):
            rows.errors += fields.unknown(row, f"{place}.", fields.ROW_FIELDS)
            rows.add(row, place, interval_min)
        else:
            rows.errors.append(FieldError(place, "must be an object with serial, start and energy_wh"))
    return rows.samples()
