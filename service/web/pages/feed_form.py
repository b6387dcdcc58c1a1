"""The form of a feed: its topic and how its messages are read, as typed and as a record. Pure: no request here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.intake.live.feed import FeedRecord
from service.intake.live.model import KINDS
from service.intake.problems import FieldError
from service.report.language import gettext as _
from service.report.language import marked
from service.web.pages.told import in_words, with_field

ROWS_OF_VALUES = 4
"""Values asked for at once; a feed with more has a row more than it uses."""

KIND_WORDS = {
    "power_w": marked("power, W"),
    "power_kw": marked("power, kW"),
    "energy_wh": marked("energy of an interval, Wh"),
    "energy_kwh": marked("energy of an interval, kWh"),
    "counter_wh": marked("counter that runs on, Wh"),
    "counter_kwh": marked("counter that runs on, kWh"),
    "dc_voltage_v": marked("DC voltage, V"),
    "ac_voltage_v": marked("AC voltage, V"),
    "frequency_hz": marked("frequency, Hz"),
    "temperature_c": marked("temperature, °C"),
    "signal_pct": marked("signal, %"),
}
SERIAL_WORDS = {
    "level": marked("a level of the topic"),
    "path": marked("a value of the message"),
    "member": marked("the name of the member that the row is"),
    "constant": marked("always the same"),
}
PLACES = {
    "topic": "topic",
    "payload.rows": "rows",
    "payload.format": "format",
    "payload.time.timezone": "timezone",
    "payload.time": "time",
    "payload.label": "label",
    "payload.interval_min": "interval_min",
    "payload.serial": "serial",
    "payload.values": "value.0.path",
}
"""Which field of the form each part of the record is typed in."""


@dataclass
class FeedForm:
    """What is typed, by the fields' names, and what is wrong with it."""

    values: dict[str, str]
    errors: dict[str, str] = field(default_factory=dict)
    general: list[str] = field(default_factory=list)

    @property
    def count(self) -> int:
        """Return how many values the form asks for."""
        used = [i for i in range(len(KINDS)) if self.values.get(f"value.{i}.kind")]
        return min(max([ROWS_OF_VALUES, *(i + 2 for i in used)]), len(KINDS))


def empty_form() -> FeedForm:
    """Return the form of a new feed."""
    return FeedForm(
        {
            "format": "json",
            "rows": "$",
            "serial_from": "level",
            "serial": "serial",
            "interval_min": "5",
            "label": "",
            "value.0.kind": "power_w",
        }
    )


def form_of(record: FeedRecord) -> FeedForm:
    """Return the form with what a feed says."""
    payload = record.payload
    source = next(name for name in SERIAL_WORDS if getattr(payload.serial, name))
    values = {
        "topic": record.topic,
        "enabled": "on" if record.enabled else "",
        "format": payload.format,
        "rows": payload.rows,
        "serial_from": source,
        "serial": "" if source == "member" else str(getattr(payload.serial, source)),
        "time": payload.time.path if payload.time else "",
        "timezone": (payload.time.timezone or "") if payload.time else "",
        "label": payload.label or "",
        "interval_min": str(payload.interval_min),
    }
    for i, (kind, value) in enumerate(payload.values.items()):
        values[f"value.{i}.kind"] = kind
        values[f"value.{i}.path"] = "" if value.path == "@" else value.path
        values[f"value.{i}.factor"] = "" if value.factor == 1 else f"{value.factor:g}"
    return FeedForm(values)


def form_as_sent(fields: Mapping[str, str]) -> FeedForm:
    """Return the form as it was sent."""
    return FeedForm({name: value.strip() for name, value in fields.items()})


def record_typed(form: FeedForm, number: int | None) -> dict[str, Any]:
    """Return what was typed as the record is sent, right or wrong."""
    typed = form.values.get
    source = typed("serial_from", "")
    payload: dict[str, Any] = {
        "format": typed("format"),
        "rows": typed("rows") or "$",
        "serial": {source: True if source == "member" else typed("serial", "")}
        if source in SERIAL_WORDS
        else {},
        "values": dict(_values(form)),
        "label": typed("label") or None,
        "interval_min": int(minutes) if (minutes := typed("interval_min", "")).isdecimal() else minutes,
    }
    if typed("time") or typed("timezone"):
        payload["time"] = {"path": typed("time", ""), "timezone": typed("timezone") or None}
    return {
        "number": number,
        "topic": typed("topic", ""),
        "enabled": bool(typed("enabled")),
        "payload": payload,
    }


def _values(form: FeedForm) -> Iterable[tuple[str, dict[str, Any]]]:
    for i in range(form.count):
        kind, path, factor = (form.values.get(f"value.{i}.{part}", "") for part in ("kind", "path", "factor"))
        if kind:
            yield kind, {"path": path or "@", "factor": _number(factor)}


def _number(text: str) -> float | str:
    try:
        return float(text.replace(",", ".")) if text else 1.0
    except ValueError:
        return text


def take_errors(form: FeedForm, errors: Iterable[FieldError]) -> None:
    """Put each error beside the field in which it was typed, or above the form."""
    for error in errors:
        place = _place(form, error.field)
        if place:
            form.errors[place] = in_words(error.message)
        else:
            form.general.append(with_field(error))


def _place(form: FeedForm, path: str) -> str | None:
    for i in range(form.count):
        kind = form.values.get(f"value.{i}.kind")
        if kind and path.startswith(f"payload.values.{kind}"):
            return f"value.{i}.{'factor' if path.endswith('factor') else 'path'}"
    return next((place for start, place in PLACES.items() if path.startswith(start)), None)


def choices(words: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what can be chosen, with its words in the reader's language."""
    return [(name, _(text)) for name, text in words.items()]
