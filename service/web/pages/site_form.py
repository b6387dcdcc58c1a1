"""The form of a site: its place, planes and types, as typed and as a record. Pure: no request here.

A person types percent where a record has fractions, and a comma where it has a point.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from service.intake.places import timezone_meant
from service.intake.problems import FieldError
from service.report.language import gettext as _
from service.web.pages.told import in_words, with_field

Stored = dict[str, Any]
Typed = dict[str, str]

GROUPS = ("planes", "module_types", "inverter_types")
MOST_ENTRIES = 200


@dataclass(frozen=True)
class Number:
    """A number that is typed: its bounds as typed, and by what it is divided on the record."""

    low: float
    high: float
    divisor: int = 1
    whole: bool = False
    needed: bool = True
    default: str = ""


NUMBERS: Mapping[str, Number] = {
    "latitude": Number(-90, 90),
    "longitude": Number(-180, 180),
    "elevation_m": Number(-500, 9000, needed=False),
    "tilt_deg": Number(0, 90),
    "azimuth_deg": Number(0, 360),
    "rows": Number(1, 100, whole=True, needed=False),
    "columns": Number(1, 100, whole=True, needed=False),
    "pmax_w": Number(5, 2000),
    "gamma_pmax_per_c": Number(-2, 0, divisor=100, needed=False, default="-0.35"),
    "substrings": Number(1, 12, whole=True, needed=False, default="3"),
    "ac_rated_w": Number(5, 200_000),
    "efficiency": Number(50, 100, divisor=100, needed=False, default="96"),
}
OF_SITE = ("name", "address", "latitude", "longitude", "elevation_m", "timezone", "commissioned_on")
OF_CONTACT = ("name", "phone", "email")
OF_ENTRY: Mapping[str, tuple[str, ...]] = {
    "planes": ("name", "tilt_deg", "azimuth_deg", "rows", "columns"),
    "module_types": ("name", "pmax_w", "gamma_pmax_per_c", "substrings"),
    "inverter_types": ("name", "ac_rated_w", "efficiency"),
}


@dataclass
class SiteForm:
    """What stands in the form, how many entries each group has, and what is wrong beside each field."""

    values: Typed
    counts: dict[str, int]
    errors: dict[str, str] = field(default_factory=dict)
    general: list[str] = field(default_factory=list)


def empty_form() -> SiteForm:
    """Return the form of a new site: one plane, one type of each kind, defaults filled in."""
    form = SiteForm({"branches": "A"}, dict.fromkeys(GROUPS, 1))
    for group in GROUPS:
        _fill_defaults(form.values, group, 0)
    return form


def form_of(record: Mapping[str, Any]) -> SiteForm:
    """Return the form with what the record says."""
    values = {name: _shown(name, record.get(name)) for name in OF_SITE}
    contact = record.get("contact") or {}
    values |= {f"contact.{name}": contact.get(name) or "" for name in OF_CONTACT}
    values["branches"] = "\n".join(branch["name"] for branch in record.get("branches") or [])
    for group, names in OF_ENTRY.items():
        for i, entry in enumerate(record[group]):
            values |= {f"{group}.{i}.{name}": _shown(name, entry.get(name)) for name in names}
            values[f"{group}.{i}.was"] = entry["name"]
    return SiteForm(values, {group: len(record[group]) for group in GROUPS})


def form_as_sent(fields: Mapping[str, str]) -> SiteForm:
    """Return the form as it was typed."""
    values = {name: value.strip() for name, value in fields.items()}
    pair = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*[,;\s]\s*(-?\d+(?:\.\d+)?)", values.get("latitude", ""))
    if pair and not values.get("longitude"):  # both numbers, copied from a map in one go
        values["latitude"], values["longitude"] = pair[1], pair[2]
    return SiteForm(values, {group: _count(values, group) for group in GROUPS})


def with_one_more(form: SiteForm, group: str) -> SiteForm:
    """Return the form with a further empty entry."""
    if group in GROUPS and form.counts[group] < MOST_ENTRIES:
        _fill_defaults(form.values, group, form.counts[group])
        form.counts[group] += 1
    return form


def without_entry(form: SiteForm, group: str, at: int) -> SiteForm:
    """Return the form without that entry; those after it move up."""
    if group not in GROUPS or not 0 <= at < form.counts[group]:
        return form
    for i in range(at, form.counts[group]):
        for name in (*OF_ENTRY[group], "was"):
            form.values[f"{group}.{i}.{name}"] = form.values.get(f"{group}.{i + 1}.{name}", "")
    form.counts[group] -= 1
    return form


def record_of(form: SiteForm, before: Mapping[str, Any] | None) -> Stored:
    """Return what was typed as a record, not checked yet; `form.errors` gets what is no number in its bounds."""
    site = {name: _typed_value(form, name, name) for name in OF_SITE}
    site["timezone"] = timezone_meant(form.values.get("timezone", ""))
    made: Stored = {**(before or {"units": []}), **{name: v for name, v in site.items() if v is not None}}
    made |= {name: site[name] for name in ("address", "commissioned_on")}
    contact = {name: form.values.get(f"contact.{name}") for name in OF_CONTACT}
    made["contact"] = {name: text for name, text in contact.items() if text} or None
    for group in GROUPS:
        made[group] = [_entry(form, group, i, before) for i in range(form.counts[group])]
    names = dict.fromkeys(line.strip() for line in form.values.get("branches", "").splitlines())
    made["branches"] = [{"name": name} for name in names if name]
    made["units"] = [_renamed(unit, form) for unit in made["units"]]
    return made


def take_errors(form: SiteForm, errors: Iterable[FieldError]) -> None:
    """Put what the record refuses beside the field that it is about."""
    for error in errors:
        name = re.sub(r"\[(\d+)\]", r".\1", error.field)
        if name.startswith("branches"):
            name = "branches"
        if name == "contact":  # neither phone nor email
            name = "contact.phone"
        if name in form.values or name in (*OF_SITE, "branches") or name.startswith("contact."):
            form.errors.setdefault(name, in_words(error.message))
        else:
            form.general.append(with_field(error))


def _count(values: Mapping[str, str], group: str) -> int:
    found = [int(m[1]) for name in values if (m := re.fullmatch(rf"{group}\.(\d{{1,3}})\.name", name))]
    return min(max(found, default=0) + 1, MOST_ENTRIES)


def _fill_defaults(values: Typed, group: str, at: int) -> None:
    for name in (*OF_ENTRY[group], "was"):
        values[f"{group}.{at}.{name}"] = NUMBERS[name].default if name in NUMBERS else ""


def _entry(form: SiteForm, group: str, at: int, before: Mapping[str, Any] | None) -> Stored:
    was = form.values.get(f"{group}.{at}.was", "")
    known: Stored = next((e for e in (before or {}).get(group, []) if e["name"] == was), {})
    typed = {name: _typed_value(form, f"{group}.{at}.{name}", name) for name in OF_ENTRY[group]}
    if group != "planes":  # an emptied field means the default, but an emptied number of rows no number
        typed = {name: value for name, value in typed.items() if value is not None}
    return {**known, **typed}


def _renamed(unit: Stored, form: SiteForm) -> Stored:
    """Return the unit with the new names of its plane and types."""
    changed = dict(unit)
    for group, name in (
        ("planes", "plane"),
        ("module_types", "module_type"),
        ("inverter_types", "inverter_type"),
    ):
        for i in range(form.counts[group]):
            was = form.values.get(f"{group}.{i}.was")
            if was and was == unit[name]:
                changed[name] = form.values.get(f"{group}.{i}.name", "")
    return changed


def _typed_value(form: SiteForm, key: str, name: str) -> Any:
    text = form.values.setdefault(key, "")
    if name not in NUMBERS:
        return text if text or name == "name" else None
    kind = NUMBERS[name]
    if not text:
        if kind.needed:
            form.errors[key] = _("is needed; give a number")
        return None
    value = number_typed(text, kind)
    if isinstance(value, str):
        form.errors[key] = value
        return None
    return value


def number_typed(text: str, kind: Number) -> float | int | str:
    """Return the number as it is recorded, or what is wrong with it."""
    try:
        value = Decimal(text.replace("\u2212", "-").replace(",", "."))
    except InvalidOperation:
        return _("must be a number, such as 35 or 0.5; leave the unit out")
    if not value.is_finite() or not kind.low <= value <= kind.high:
        return _("must lie between %(low)s and %(high)s") % {
            "low": f"{kind.low:g}",
            "high": f"{kind.high:.12g}",
        }
    if kind.whole and value != int(value):
        return _("must be a whole number")
    return int(value) if kind.whole else float(value / kind.divisor)


def _shown(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name not in NUMBERS:
        return str(value)
    shown = Decimal(str(value)) * NUMBERS[name].divisor
    return f"{shown.normalize():f}"


def missing_entries(form: SiteForm) -> Iterator[tuple[str, str]]:
    """Give what a site cannot be without."""
    for group, text in (
        ("planes", _("Give at least one roof plane.")),
        ("module_types", _("Give at least one module type.")),
        ("inverter_types", _("Give at least one inverter type.")),
    ):
        if not form.counts[group]:
            yield group, text
