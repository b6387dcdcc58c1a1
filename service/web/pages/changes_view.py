"""Changes of a record in words: what differs unit by unit, which other fields, and the list of changes made before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.intake.plan import Difference, Differences
from service.report import words
from service.report.language import gettext as _
from service.report.language import marked, ngettext
from service.store.record_changes import Made
from service.store.tables import User

FIELDS: Mapping[str, str] = {
    "name": marked("name"),
    "address": marked("address"),
    "contact": marked("contact"),
    "latitude": marked("latitude"),
    "longitude": marked("longitude"),
    "elevation_m": marked("elevation"),
    "timezone": marked("timezone"),
    "commissioned_on": marked("day of commissioning"),
    "planes": marked("roof planes"),
    "module_types": marked("module types"),
    "inverter_types": marked("inverter types"),
    "branches": marked("branch circuits"),
    "units": marked("units"),
    "clock": marked("clock of the readings"),
    "losses": marked("losses"),
}
UNIT_FIELDS: Mapping[str, str] = {
    "plane": marked("roof plane"),
    "row": marked("row"),
    "column": marked("column"),
    "branch": marked("branch circuit"),
    "module_type": marked("module type"),
    "inverter_type": marked("inverter type"),
    "module_count": marked("number of modules"),
    "from": marked("first day on the roof"),
    "until": marked("first day no longer on the roof"),
}


KINDS = ("added", "removed", "moved", "renamed", "changed")


@dataclass(frozen=True)
class UnitLine:
    """What happened to one unit: from where, to where."""

    serial: str
    old: str
    new: str


@dataclass(frozen=True)
class DiffView:
    """A change before it is stored: its units by what happens to them, and the other fields that change."""

    added: tuple[UnitLine, ...]
    removed: tuple[UnitLine, ...]
    moved: tuple[UnitLine, ...]
    renamed: tuple[UnitLine, ...]
    changed: tuple[UnitLine, ...]
    unchanged: str
    fields: str

    @property
    def is_empty(self) -> bool:
        """Return whether nothing changes."""
        return not (self.added or self.removed or self.moved or self.renamed or self.changed or self.fields)


@dataclass(frozen=True)
class MadeView:
    """A change that was made: what, by whom and when, whether it is undone, and what a click can do."""

    number: int
    what: str
    made: str
    undone: str
    can_undo: bool
    can_redo: bool


def diff_view(found: Differences) -> DiffView:
    """Return the differences as they are read."""
    lines = {kind: tuple(map(_line, found.of_kind(kind))) for kind in KINDS}
    unchanged = ngettext("%(num)d unit stays as it is", "%(num)d units stay as they are", found.unchanged)
    return DiffView(
        **lines,
        unchanged=unchanged % {"num": found.unchanged},
        fields=words.listed(field_words(found.fields)),
    )


def field_words(names: Iterable[str]) -> list[str]:
    """Return a record's fields in words."""
    return [_(FIELDS[name]) if name in FIELDS else name for name in names]


def made_view(made: Made, zone: ZoneInfo, user: User) -> MadeView:
    """Return a change that was made as the person reads it: an installer undoes his own, the office any."""
    may = user.role == "office" or made.made_by == user.name
    said = _("%(who)s, %(when)s") % {"who": made.made_by, "when": words.moment(made.made_at, zone)}
    undone = (
        _("Undone by %(who)s, %(when)s") % {"who": made.undone_by, "when": words.moment(made.undone_at, zone)}
        if made.undone_at
        else ""
    )
    what = summary_words(made.summary)
    return MadeView(made.number, what, said, undone, may and made.can_undo, may and made.can_redo)


def summary_words(summary: Mapping[str, Any]) -> str:
    """Return how many units were added, moved and so on, in words."""
    parts = [_happened(kind, summary[kind]) for kind in KINDS if summary.get(kind)]
    return "; ".join([*parts, *field_words(summary.get("fields", []))])


def _happened(kind: str, count: int) -> str:
    said = {
        "added": ngettext("%(num)d unit added", "%(num)d units added", count),
        "removed": ngettext("%(num)d unit removed", "%(num)d units removed", count),
        "moved": ngettext("%(num)d unit moved", "%(num)d units moved", count),
        "renamed": ngettext("%(num)d serial changed", "%(num)d serials changed", count),
        "changed": ngettext("%(num)d unit described anew", "%(num)d units described anew", count),
    }
    return said[kind] % {"num": count}


def place_words(unit: Mapping[str, Any]) -> str:
    """Return where a unit is, with its branch circuit."""
    place: str = words.position(unit["plane"], unit.get("row"), unit.get("column"))
    if unit.get("branch"):
        return _("%(place)s, branch circuit %(branch)s") % {"place": place, "branch": unit["branch"]}
    return place


def _line(one: Difference) -> UnitLine:
    old, new = one.old or {}, one.new or {}
    if one.kind == "renamed":
        return UnitLine(f"{old['serial']} \u2192 {new['serial']}", "", place_words(new))
    if one.kind == "changed":
        return UnitLine(one.serial, _described(old, new, old), _described(old, new, new))
    return UnitLine(one.serial, place_words(old) if old else "", place_words(new) if new else "")


def _described(old: Mapping[str, Any], new: Mapping[str, Any], shown: Mapping[str, Any]) -> str:
    names = [name for name in UNIT_FIELDS if old.get(name) != new.get(name)]
    none = _("none")
    return "; ".join(
        f"{_(UNIT_FIELDS[name])}: {none if shown.get(name) is None else shown[name]}" for name in names
    )
