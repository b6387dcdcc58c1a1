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
from service.report.language import gettext as _
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
    accepted = _("Accepted by %(name)s, %(moment)s")
    undone = _("Undone by %(name)s, %(moment)s") if found.undone_at else ""
    accepted %= {"name": found.accepted_by, "moment": words.moment(found.accepted_at, zone)}
    undone %= {"name": found.undone_by, "moment": words.moment(found.undone_at, zone)}
    return AcceptedView(found.number, lines, accepted, undone, found.stands)


def _lines(changes: Iterable[Change], zone: ZoneInfo) -> tuple[ChangeLine, ...]:
    return tuple(_line(change, zone) for change in changes)


def _line(change: Change, zone: ZoneInfo) -> ChangeLine:
    if change.part == "plane":
        what = _("Roof plane %(plane)s") % {"plane": change.of}
        return ChangeLine(what, _orientation(change.old), _orientation(change.new))
    if change.part == "clock":
        return ChangeLine(_("Clock of the readings"), _clock(change.old, zone), _clock(change.new, zone))
    if "serial" in change.old:
        return ChangeLine(_("Serial"), change.old["serial"], change.new["serial"])
    return ChangeLine(_("Unit %(serial)s") % {"serial": change.of}, _place(change.old), _place(change.new))


def _orientation(fields: Mapping[str, Any]) -> str:
    azimuth, tilt = (words.angle(round(fields[name], 1)) for name in ("azimuth_deg", "tilt_deg"))
    return _("azimuth %(azimuth)s, tilt %(tilt)s") % {"azimuth": azimuth, "tilt": tilt}


def _place(fields: Mapping[str, Any]) -> str:
    known = fields["row"] is not None or fields["column"] is not None
    place = (
        words.position(fields["plane"], fields["row"], fields["column"])
        if known
        else _("%(plane)s, row and column not on the record") % {"plane": fields["plane"]}
    )
    branch = _("branch circuit %(branch)s") % {"branch": fields["branch"]} if fields["branch"] else ""
    return f"{place}, {branch}" if branch else place


def _clock(fields: Mapping[str, Any], zone: ZoneInfo) -> str:
    parts = [_lateness(entry, zone) for entry in fields["clock"]]
    then = _("then")
    return f", {then} ".join(parts) or _("taken as right")


def _lateness(entry: Mapping[str, Any], zone: ZoneInfo) -> str:
    minutes = entry["minutes"]
    late = _("%(time)s late") if minutes > 0 else _("%(time)s early") if minutes else _("right")
    late %= {"time": f"{words.number(abs(minutes))}{words.NBSP}min"}
    if entry["from"] is None:
        return _("%(late)s from the first reading on") % {"late": late}
    since = words.moment(datetime.fromisoformat(entry["from"]), zone)
    return _("%(late)s from %(moment)s on") % {"late": late, "moment": since}
