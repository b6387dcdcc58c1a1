"""Weather as CSV, as a sensor on site writes it: a row for each start, a column for each of the contract's names.

A plane's sensor is the column `poa_w_m2:PLANE`. What a value may be is `weather`'s.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np

from service.intake import fields
from service.intake.problems import FieldError, Refused, field_path, unknown_field
from service.intake.rows import LARGEST_ERRORS
from service.intake.weather import BOUNDS, SENSOR
from service.store.grids import Samples

NAMES = ("start", *(name for name in BOUNDS if name != SENSOR), f"{SENSOR}:PLANE")
_EXAMPLE = "the first line must name the columns, with commas between: start,ghi_w_m2,air_temp_c"


def samples_from_weather_csv(body: bytes, interval_min: int | None) -> list[Samples]:
    """Return the samples, one series for each column; Refused lists what is wrong."""
    errors: fields.Errors = []
    step = fields.interval(interval_min, "", errors)
    try:
        lines = csv.reader(io.StringIO(body.decode("utf-8-sig"), newline=""), strict=True)
        header = [_column(name) for name in next(lines, [])]
        fields.refuse([*errors, *_header_errors(header)])
        rows = [_row(header, line, f"line {lines.line_num}", errors) for line in lines if line]
    except UnicodeDecodeError:
        raise Refused.one("", "is not valid UTF-8; save the file as UTF-8") from None
    except csv.Error:
        raise Refused.one("", "is not valid CSV; check the quotation marks") from None
    fields.refuse(errors)
    starts = np.array([start for start, _ in rows], dtype=np.int64)
    columns = fields.as_array([values for _, values in rows]).reshape(len(rows), len(header) - 1)
    names = [name for name in header if name != "start"]
    return [Samples("", name, step, starts, columns[:, i]) for i, name in enumerate(names)]


def _column(name: str) -> str:
    kind, colon, plane = name.strip().partition(":")
    return f"{kind.strip()}{colon}{plane.strip()}"


def _is_known(name: str) -> bool:
    kind, _colon, plane = name.partition(":")
    return name in NAMES[:-1] or (kind == SENSOR and bool(plane))


def _header_errors(header: Sequence[str]) -> fields.Errors:
    errors = [
        FieldError(field_path([name]), f"{unknown_field(name, NAMES)}; {_EXAMPLE}")
        for name in header
        if not _is_known(name)
    ]
    if "start" not in header:
        errors.append(FieldError("start", f"is missing; {_EXAMPLE}"))
    if len(set(header)) < len(header):
        errors.append(FieldError("", f"names a column twice; {_EXAMPLE}"))
    if len(header) < 2:
        errors.append(FieldError("ghi_w_m2", f"is required, or another of {', '.join(NAMES[1:])}"))
    return errors


def _row(
    header: Sequence[str], line: list[str], place: str, errors: fields.Errors
) -> tuple[int, list[float | None]]:
    if len(errors) >= LARGEST_ERRORS:
        return 0, [None] * (len(header) - 1)
    if len(line) != len(header):
        errors.append(FieldError(place, f"must have {len(header)} columns, as the first line has"))
        return 0, [None] * (len(header) - 1)
    cells = dict(zip(header, line, strict=True))
    start = fields.time(cells.pop("start").strip(), f"{place}.start", errors)
    if start % 60:
        errors.append(FieldError(f"{place}.start", "must be a whole minute; round it"))
    return start, [fields.number(text, f"{place}.{name}", errors) for name, text in cells.items()]
