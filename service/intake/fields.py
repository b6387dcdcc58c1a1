"""Reads the single fields of readings: times, serials, intervals, numbers. Each says what is wrong and what to do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from math import isfinite
from typing import Any

import numpy as np

from service.intake.problems import FieldError, Refused, field_path, limited, unknown_field
from service.store.grids import FloatArray
from service.store.readings import CHANNELS

INTERVALS_MIN = (5, 10, 15, 30, 60)
EARLIEST = int(datetime(2000, 1, 1, tzinfo=UTC).timestamp())
LATEST = int(datetime(2100, 1, 1, tzinfo=UTC).timestamp())

NOT_FINITE = float("inf")
"""Stands for every number that is not finite; NaN means not heard."""

VALUE_TYPES = {int, float, type(None)}
ROW_FIELDS = ("serial", "start", *CHANNELS)

Errors = list[FieldError]


def refuse(errors: Errors) -> None:
    """Raise Refused if there is any error."""
    if errors:
        raise Refused(limited(errors))


def unknown(data: Mapping[str, Any], prefix: str, known: Iterable[str]) -> Errors:
    """Return an error for every field that is not known."""
    names = [name for name in data if name not in known]
    return [FieldError(f"{prefix}{field_path([name])}", unknown_field(name, known)) for name in names]


def interval(given: Any, prefix: str, errors: Errors) -> int:
    """Return the interval in minutes."""
    if type(given) in (int, float) and given in INTERVALS_MIN:
        return int(given)
    problem = "is required" if given is None else "is not an interval that is kept"
    errors.append(FieldError(f"{prefix}interval_min", f"{problem}; give 5, 10, 15, 30 or 60"))
    return INTERVALS_MIN[0]


def serial(given: Any, path: str, errors: Errors) -> str:
    """Return the serial without the spaces around it."""
    if not isinstance(given, str):
        text = "is required; add it" if given is None else "must be a text in quotation marks"
        errors.append(FieldError(path, text))
        return ""
    trimmed = given.strip()
    if not 0 < len(trimmed) <= 80 or not trimmed.isprintable():
        errors.append(FieldError(path, "must be a serial of 1 to 80 printable characters"))
    return trimmed


def time(given: Any, path: str, errors: Errors) -> int:
    """Return seconds since 1970, rounded."""
    problem = "is required; add it"
    if given is not None:
        try:
            moment = datetime.fromisoformat(given)
            seconds = round(moment.timestamp()) if moment.tzinfo else None
        except (TypeError, ValueError, OverflowError):
            problem = "must be an ISO 8601 time with an offset, such as 2026-05-04T00:00:00+01:00"
        else:
            if seconds is not None and EARLIEST <= seconds < LATEST:
                return seconds
            problem = _out_of_place(seconds)
    errors.append(FieldError(path, problem))
    return EARLIEST


def _out_of_place(seconds: int | None) -> str:
    if seconds is None:
        return "has no offset from UTC; add it, as in 2026-05-04T00:00:00+01:00"
    return "must lie between the years 2000 and 2100; correct it"


def values(given: Any, path: str, errors: Errors) -> FloatArray:
    """Return a list of numbers and nulls as an array."""
    if not isinstance(given, list):
        errors.append(FieldError(path, "must be a list of numbers"))
    elif not set(map(type, given)) <= VALUE_TYPES:
        wrong = next(i for i, v in enumerate(given) if type(v) not in VALUE_TYPES)
        errors.append(FieldError(f"{path}[{wrong}]", "must be a number or null, without quotation marks"))
    else:
        return as_array(given)
    return np.empty(0)


def as_array(numbers: list[Any]) -> FloatArray:
    """Return numbers and None (as NaN) in an array; an integer too large for a float is not finite."""
    try:
        return np.array(numbers, dtype=np.float64)
    except OverflowError:
        return np.array([_small_enough(n) for n in numbers], dtype=np.float64)


def _small_enough(number: Any) -> Any:
    return NOT_FINITE if isinstance(number, int) and abs(number) > 1e300 else number


def number(text: str, path: str, errors: Errors) -> float | None:
    """Return the number that a cell of a text file holds, None if it is empty."""
    text = text.strip()
    if not text:
        return None
    try:
        found = float(text.replace("_", "?"))  # Python reads 1_000 as a number, nobody else does
    except ValueError:
        remedy = "; write the decimal separator as a point" if "," in text else ""
        errors.append(FieldError(path, f"must be a number or empty{remedy}"))
        return None
    return found if isfinite(found) else NOT_FINITE
