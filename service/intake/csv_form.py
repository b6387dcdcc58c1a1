"""Readings as CSV with our own column names. Other layouts are not read here."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from service.intake import fields
from service.intake.problems import FieldError, Refused, field_path, unknown_field
from service.intake.rows import Rows
from service.store.grids import Samples, moment
from service.store.readings import CHANNELS

COLUMNS = (*fields.ROW_FIELDS, "interval_min")
_NUMBERS = {*CHANNELS, "interval_min"}
_EXAMPLE = "the first line must name the columns, with commas between: serial,start,energy_wh"


def samples_from_csv(body: bytes, interval_min: int | None) -> list[Samples]:
    """Return the samples; `interval_min` holds where no column of that name does."""
    try:
        lines = csv.reader(io.StringIO(body.decode("utf-8-sig"), newline=""), strict=True)
        header = [name.strip() for name in next(lines, [])]
        rows = Rows(header_errors(header, interval_min))
        fields.refuse(rows.errors)
        for line in lines:
            if line:
                _add(rows, header, line, f"line {lines.line_num}", interval_min)
    except UnicodeDecodeError:
        raise Refused.one("", "is not valid UTF-8; save the file as UTF-8") from None
    except csv.Error:
        raise Refused.one("", "is not valid CSV; check the quotation marks") from None
    return rows.samples()


def csv_of(samples: Sequence[Samples]) -> bytes:
    """Return samples of any channels in our form, which `samples_from_csv` reads back as they are."""
    channels = list(dict.fromkeys(s.channel for s in samples))
    lines = [",".join(("serial", "start", "interval_min", *channels))]
    for one in samples:
        before = "," * channels.index(one.channel)
        after = "," * (len(channels) - 1 - channels.index(one.channel))
        serial = _quoted(one.serial)
        lines += [
            f"{serial},{moment(start).isoformat()},{one.interval_min},{before}{value!r}{after}"
            for start, value in zip(one.starts.tolist(), one.values.tolist(), strict=True)
        ]
    return "\n".join([*lines, ""]).encode()


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def header_errors(header: Sequence[str], interval_min: int | None) -> fields.Errors:
    """Return what is wrong with the columns' names."""
    errors = [
        FieldError(field_path([name]), f"{unknown_field(name, COLUMNS)}; {_EXAMPLE}")
        for name in header
        if name not in COLUMNS
    ]
    errors += [
        FieldError(name, f"is missing; {_EXAMPLE}") for name in ("serial", "start") if name not in header
    ]
    if not set(CHANNELS) & set(header):
        errors.append(FieldError("energy_wh", f"is missing; {_EXAMPLE}"))
    if len(set(header)) < len(header):
        errors.append(FieldError("", f"names a column twice; {_EXAMPLE}"))
    if "interval_min" not in header:
        fields.interval(interval_min, "", errors)
    return errors


def _add(rows: Rows, header: list[str], line: list[str], place: str, interval_min: int | None) -> None:
    if len(line) != len(header):
        rows.errors.append(FieldError(place, f"must have {len(header)} columns, as the first line has"))
        return
    row: dict[str, Any] = dict(zip(header, line, strict=True))
    for name in row.keys() & _NUMBERS:
        row[name] = fields.number(row[name], f"{place}.{name}", rows.errors)
    own = row.pop("interval_min", interval_min)
    row["start"] = row["start"].strip()
    rows.add(row, place, fields.interval(own, f"{place}.", rows.errors))
