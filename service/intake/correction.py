"""Corrections of a site record, each the answer to one finding: what they may say, and the record that they make.

Pure: a correction and a record go in, a record that is valid like any other comes out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from service.intake import fields
from service.intake.clock import clock_of
from service.intake.problems import Refused, details, field_errors, told
from service.intake.record import (
    Azimuth,
    ClockChange,
    Name,
    Part,
    Serial,
    as_stored,
    clock_errors,
    field_names,
    read_record,
)

Stored = dict[str, Any]
"""A site record as it is kept."""

FIELD = "correction"


class PlaneCorrection(Part):
    """A plane has another orientation than recorded."""

    kind: Literal["plane"]
    plane: Name
    azimuth_deg: Azimuth
    tilt_deg: float = Field(ge=0, le=90, description="Degrees from horizontal.")


class MoveCorrection(Part):
    """A unit is on another plane than recorded; its row and column there are not known."""

    kind: Literal["move"]
    serial: Serial
    plane: Name


class SwapCorrection(Part):
    """Two units stand in each other's place: plane, row, column and branch are exchanged."""

    kind: Literal["swap"]
    serials: list[Serial] = Field(min_length=2, max_length=2)


class SerialCorrection(Part):
    """A recorded serial is mistyped; the one that is heard takes its place."""

    kind: Literal["serial"]
    recorded: Serial
    heard: Serial


class ClockCorrection(Part):
    """The readings' labels are late, beside what the record's clock puts right already."""

    kind: Literal["clock"]
    changes: list[ClockChange] = Field(min_length=1, max_length=100)

    @model_validator(mode="after")
    def _in_order(self) -> ClockCorrection:
        found = list(clock_errors(self.changes, "changes"))
        if found:
            raise details(found, "ClockCorrection")
        return self


Correction = PlaneCorrection | MoveCorrection | SwapCorrection | SerialCorrection | ClockCorrection

KINDS: Mapping[str, type[Correction]] = {
    "plane": PlaneCorrection,
    "move": MoveCorrection,
    "swap": SwapCorrection,
    "serial": SerialCorrection,
    "clock": ClockCorrection,
}


@dataclass(frozen=True)
class Change:
    """What differs between two records in one place: `of` is a plane's name or a unit's serial before, or empty.

    `old` and `new` hold the fields that belong together, by the record's names.
    """

    part: Literal["plane", "unit", "clock"]
    of: str
    old: Mapping[str, Any]
    new: Mapping[str, Any]


def read_request(data: Any) -> Correction:
    """Return the correction that a body `{"correction": {...}}` holds; Refused with one error per bad field."""
    if not isinstance(data, dict):
        raise Refused.one("", f"must be an object with the field {FIELD}")
    fields.refuse(fields.unknown(data, "", [FIELD]))
    if FIELD not in data:
        raise Refused.one(FIELD, told("is required; add it"))
    return read_correction(data[FIELD])


def read_correction(data: Any) -> Correction:
    """Return the correction; Refused with one error per bad field, each named from `correction` on."""
    if not isinstance(data, dict):
        raise Refused.one(FIELD, told("must be an object with named fields"))
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        raise Refused.one(f"{FIELD}.kind", f"must be one of {', '.join(KINDS)}")
    model = KINDS[kind]
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = [
            {**e, "loc": (FIELD, *e["loc"])} for e in error.errors(include_url=False, include_input=False)
        ]
        known = field_names(model), field_names(ClockChange)
        raise Refused(field_errors(found, lambda loc: known["changes" in loc])) from error


def as_sent(correction: Correction) -> dict[str, Any]:
    """Return the correction as JSON."""
    return correction.model_dump(mode="json", by_alias=True)


def corrected(record: Stored, correction: Correction) -> Stored:
    """Return the record with the correction; Refused if it does not fit the record, which stays as it is."""
    after = as_stored(read_record({**record, **_changed(record, correction)}))
    if not any(True for _ in changes(record, after)):
        raise Refused.one(FIELD, told("is what the record says already; there is nothing to change"))
    return after


def changes(before: Stored, after: Stored) -> Iterator[Change]:
    """Give what a correction has changed."""
    for part, group, name, names in _COMPARED:
        for a, b in zip(before[group], after[group], strict=True):
            yield from _differing(part, a[name], {n: a.get(n) for n in names}, {n: b.get(n) for n in names})
    clocks = ({"clock": record.get("clock") or []} for record in (before, after))
    yield from _differing("clock", "", *clocks)


# What each kind changes


ORIENTATION = ("tilt_deg", "azimuth_deg")
PLACE = ("plane", "row", "column", "branch")
"""What belongs to a unit's position on the roof and not to the unit."""

_COMPARED: tuple[tuple[Literal["plane", "unit"], str, str, tuple[str, ...]], ...] = (
    ("plane", "planes", "name", ORIENTATION),
    ("unit", "units", "serial", ("serial",)),
    ("unit", "units", "serial", PLACE),
)


def _differing(
    part: Literal["plane", "unit", "clock"], of: str, old: Mapping[str, Any], new: Mapping[str, Any]
) -> Iterator[Change]:
    if old != new:
        yield Change(part, of, old, new)


def _changed(record: Stored, correction: Correction) -> Stored:
    """Return the fields of the record that the correction changes."""
    match correction:
        case PlaneCorrection():
            return _turned(record, correction)
        case MoveCorrection():
            return _moved(record, correction)
        case SwapCorrection():
            return _swapped(record, correction)
        case SerialCorrection():
            return _renamed(record, correction)
        case ClockCorrection():
            further = clock_of(as_sent(correction)["changes"])
            return {"clock": clock_of(record.get("clock")).followed_by(further).as_record()}


def _turned(record: Stored, correction: PlaneCorrection) -> Stored:
    at = _plane(record, correction.plane)
    orientation = {name: getattr(correction, name) for name in ORIENTATION}
    return {"planes": _with(record["planes"], {at: orientation})}


def _moved(record: Stored, correction: MoveCorrection) -> Stored:
    at = _unit(record, correction.serial, "serial")
    _plane(record, correction.plane)
    if record["units"][at]["plane"] == correction.plane:
        raise Refused.one(f"{FIELD}.plane", told("is the unit's plane already; there is nothing to change"))
    # A row and column of the old plane would name some other place on the new one.
    place = {"plane": correction.plane, "row": None, "column": None}
    return {"units": _with(record["units"], {at: place})}


def _swapped(record: Stored, correction: SwapCorrection) -> Stored:
    a, b = (_unit(record, serial, f"serials[{i}]") for i, serial in enumerate(correction.serials))
    if a == b:
        raise Refused.one(f"{FIELD}.serials", told("names one unit twice; give two"))
    units = record["units"]
    here, there = ({name: units[at].get(name) for name in PLACE} for at in (a, b))
    return {"units": _with(units, {a: there, b: here})}


def _renamed(record: Stored, correction: SerialCorrection) -> Stored:
    at = _unit(record, correction.recorded, "recorded")
    if any(unit["serial"] == correction.heard for unit in record["units"]):
        raise Refused.one(f"{FIELD}.heard", told("is on the record already; look at the findings anew"))
    return {"units": _with(record["units"], {at: {"serial": correction.heard}})}


def _with(entries: Sequence[Stored], changed: Mapping[int, Stored]) -> list[Stored]:
    return [{**entry, **changed.get(i, {})} for i, entry in enumerate(entries)]


def _plane(record: Stored, name: str) -> int:
    return _place_of(record["planes"], "name", name, "plane")


def _unit(record: Stored, serial: str, field: str) -> int:
    return _place_of(record["units"], "serial", serial, field)


def _place_of(entries: Sequence[Stored], key: str, wanted: str, field: str) -> int:
    for i, entry in enumerate(entries):
        if entry[key] == wanted:
            return i
    raise Refused.one(
        f"{FIELD}.{field}", told("is not on the record as it is now; look at the findings anew")
    )
