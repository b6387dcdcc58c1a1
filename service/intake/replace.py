"""A unit replaced on a visit: the old one ends on a day, another begins on it at the same place. Pure.

What is metered apart on one inverter goes and comes together. The old entry stays, and with it what was heard of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from service.intake.inputs import Stay
from service.intake.problems import FieldError, Refused, told
from service.intake.record import EARLIEST, LATEST, as_stored, read_record

Stored = dict[str, Any]
"""A site record as it is kept."""


@dataclass(frozen=True)
class Replacement:
    """Which unit goes, which comes, and on which local day; `inverter_type` None: of the same type."""

    old: str
    new: str
    day: date
    inverter_type: str | None = None


def read_replacement(old: str, new: str, day: str, inverter_type: str = "") -> Replacement:
    """Return what a form sends; Refused with one error per bad field."""
    errors = [
        FieldError(name, told("is required; add it"))
        for name, value in (("old", old), ("new", new))
        if not value
    ]
    found = _day(day)
    if found is None:
        errors.append(FieldError("day", told("must be a date as year-month-day, such as 2026-05-04")))
    if errors or found is None:
        raise Refused(errors)
    return Replacement(old, new, found, inverter_type or None)


def replaced(record: Stored, change: Replacement, *, today: date) -> Stored:
    """Return the record with the unit replaced; Refused names each field that does not fit it."""
    going = _going(record, change.old)
    errors = [*_errors(record, change, going), *_day_errors(change, going, today)]
    if errors:
        raise Refused(errors)
    device = _device(change.old)
    units = [{**u, "until": change.day.isoformat()} if u in going else u for u in record["units"]]
    units += [_coming(u, change, device) for u in going]
    return as_stored(read_record({**record, "units": units}))


def successors(record: Stored, change: Replacement) -> dict[str, str]:
    """Return the new serial by the old one, of the unit and of what is metered apart on it."""
    device = _device(change.old)
    return {u["serial"]: _renamed(u["serial"], device, change.new) for u in _going(record, change.old)}


def _day(text: str) -> date | None:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        return None
    return found if EARLIEST <= found <= LATEST else None


def _device(serial: str) -> str:
    return Stay(serial, None, None).device


def _going(record: Stored, serial: str) -> list[Stored]:
    """Return the entries of the unit that is there now, all inputs of its inverter."""
    device = _device(serial)
    return [u for u in record["units"] if _device(u["serial"]) == device and not u.get("until")]


def _errors(record: Stored, change: Replacement, going: list[Stored]) -> list[FieldError]:
    errors = []
    if not any(u["serial"] == change.old for u in going):
        errors.append(FieldError("old", told("is not on the roof by the record; look at the plan anew")))
    if change.new == change.old or any(_device(u["serial"]) == _device(change.new) for u in record["units"]):
        errors.append(
            FieldError("new", told("is on the record already; read the label of the new unit again"))
        )
    known = {t["name"] for t in record["inverter_types"]}
    if change.inverter_type is not None and change.inverter_type not in known:
        errors.append(FieldError("inverter_type", told("names none of the record; add the type there first")))
    return errors


def _day_errors(change: Replacement, going: list[Stored], today: date) -> list[FieldError]:
    if change.day > today:
        return [FieldError("day", told("lies ahead; give the day of the change once it is done"))]
    since = max((u.get("from") or "" for u in going), default="")
    if since >= change.day.isoformat():
        return [FieldError("day", told("must be later than {since}, when the old unit came", since=since))]
    return []


def _coming(unit: Stored, change: Replacement, device: str) -> Stored:
    return {
        **unit,
        "serial": _renamed(unit["serial"], device, change.new),
        "inverter_type": change.inverter_type or unit["inverter_type"],
        "from": change.day.isoformat(),
        "until": None,
    }


def _renamed(serial: str, device: str, new: str) -> str:
    return new + serial.removeprefix(device)
