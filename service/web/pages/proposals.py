"""Corrections of a record in words: what one would change, what one has changed. Pure; what fits was said by intake."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.intake.accept import Proposal
from service.intake.correction import Change
from service.report import words
from service.store.corrections import Accepted
from service.verify.result import Finding


@dataclass(frozen=True)
class ChangeLine:
    """One change: of what, from what, to what."""

    what: str
    old: str
    new: str


@dataclass(frozen=True)
class ProposalView:
    """A correction that can be accepted as it stands: `sent` and `on` go back with the click."""

    lines: tuple[ChangeLine, ...]
    sent: str
    on: str


@dataclass(frozen=True)
class AcceptedView:
    """A correction that was accepted, who did and when, and whether a click can undo it."""

    number: int
    lines: tuple[ChangeLine, ...]
    accepted: str
    undone: str
    can_be_undone: bool


@dataclass(frozen=True)
class Corrections:
    """A site's corrections: those proposed, by `key_of` their findings, and those accepted, the newest first."""

    proposals: Mapping[str, ProposalView] = field(default_factory=dict)
    accepted: tuple[AcceptedView, ...] = ()


def key_of(finding: Finding) -> str:
    """Return a name that findings with the same correction share; empty without one."""
    proposed = finding.details.get("correction")
    return json.dumps(proposed, sort_keys=True) if proposed else ""


def proposal_view(found: Proposal, zone: ZoneInfo) -> ProposalView:
    """Return a proposal as it is read."""
    return ProposalView(_lines(found.changes, zone), json.dumps(found.correction), found.on)


def accepted_view(found: Accepted, zone: ZoneInfo) -> AcceptedView:
    """Return what was accepted as it is read."""
    lines = _lines((Change(**change) for change in found.changes), zone)
    accepted = f"Accepted by {found.accepted_by}, {words.moment(found.accepted_at, zone)}"
    undone = f"Undone by {found.undone_by}, {words.moment(found.undone_at, zone)}" if found.undone_at else ""
    return AcceptedView(found.number, lines, accepted, undone, found.stands)


def _lines(changes: Iterable[Change], zone: ZoneInfo) -> tuple[ChangeLine, ...]:
    return tuple(_line(change, zone) for change in changes)


def _line(change: Change, zone: ZoneInfo) -> ChangeLine:
    if change.part == "plane":
        return ChangeLine(f"Roof plane {change.of}", _orientation(change.old), _orientation(change.new))
    if change.part == "clock":
        return ChangeLine("Clock of the readings", _clock(change.old, zone), _clock(change.new, zone))
    if "serial" in change.old:
        return ChangeLine("Serial", change.old["serial"], change.new["serial"])
    return ChangeLine(f"Unit {change.of}", _place(change.old), _place(change.new))


def _orientation(fields: Mapping[str, Any]) -> str:
    azimuth, tilt = (f"{round(fields[name], 1):g}\u00b0" for name in ("azimuth_deg", "tilt_deg"))
    return f"azimuth {azimuth}, tilt {tilt}"


def _place(fields: Mapping[str, Any]) -> str:
    known = fields["row"] is not None or fields["column"] is not None
    place = (
        words.position(fields["plane"], fields["row"], fields["column"])
        if known
        else f"{fields['plane']}, row and column not on the record"
    )
    return f"{place}, branch circuit {fields['branch']}" if fields["branch"] else place


def _clock(fields: Mapping[str, Any], zone: ZoneInfo) -> str:
    parts = [_lateness(entry, zone) for entry in fields["clock"]]
    return ", then ".join(parts) or "taken as right"


def _lateness(entry: Mapping[str, Any], zone: ZoneInfo) -> str:
    minutes = entry["minutes"]
    late = f"{abs(minutes)}{words.NBSP}min {'late' if minutes > 0 else 'early'}" if minutes else "right"
    if entry["from"] is None:
        return f"{late} from the first reading on"
    return f"{late} from {words.moment(datetime.fromisoformat(entry['from']), zone)} on"
