"""What stands under a finding: its units on the day that shows it best, in a drawing, in words and as numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.report import charts, words
from service.report.evidence import Evidence, evidence, power_rows
from service.report.language import gettext as _
from service.report.sheets import Value
from service.verify.result import Finding, Verification
from service.web.pages.lookup import Shown

TABLE_STEP_MIN = 60


@dataclass(frozen=True)
class PowerLine:
    """One hour in the table."""

    time: str
    measured: str
    expected: str
    beside: str


@dataclass(frozen=True)
class EvidenceView:
    """The drawing's address, sizes and words, with the fields of a `Chart`, and its numbers."""

    path: str
    version: str
    alt: str
    wide: tuple[int, int]
    narrow: tuple[int, int]
    day: str
    has_neighbours: bool
    lines: tuple[PowerLine, ...]


def evidence_view(site: Shown, found: Verification, finding: Finding, title: str) -> EvidenceView | None:
    """Return what shows the finding; None where there is nothing to draw."""
    shown = evidence(found, finding, site.zone)
    if shown is None:
        return None
    return EvidenceView(
        path=f"{site.href}/chart/evidence/{found.findings.index(finding)}.svg",
        version=site.version,
        alt=_alt(shown, title),
        wide=charts.evidence_size(),
        narrow=charts.evidence_size(narrow=True),
        day=words.day(shown.day),
        has_neighbours=bool(shown.neighbours),
        lines=tuple(_line(*row) for row in power_rows(shown, TABLE_STEP_MIN)),
    )


def _alt(shown: Evidence, title: str) -> str:
    """Return what the drawing shows: the finding, the day, the energies."""
    made, due, beside = _energies(shown)
    said = {"title": title, "day": words.day(shown.day), "due": words.energy(due)}
    text = (
        _("%(title)s. On %(day)s nothing was heard, and %(due)s were to be expected.") % said
        if made is None
        else _("%(title)s. On %(day)s %(made)s were made of %(due)s expected.")
        % {**said, "made": words.energy(made)}
    )
    if beside is None:
        return text
    more = _("As much as their neighbours did would have been %(beside)s.") % {"beside": words.energy(beside)}
    return f"{text} {more}"


def _energies(shown: Evidence) -> tuple[float | None, float, float | None]:
    """Return the day's energies, Wh: measured, expected, and what the neighbours' way would have given."""
    rows = power_rows(shown, TABLE_STEP_MIN)
    hours = max(TABLE_STEP_MIN, shown.due.interval_min) / 60
    made, due, beside = (
        [value * hours for row in rows if isinstance(value := row[k], float)] for k in (1, 2, 3)
    )
    return (sum(made) if made else None), sum(due), (sum(beside) if beside else None)


def _line(start: Value, *powers: Value) -> PowerLine:
    said = [words.power(power) if isinstance(power, float) else words.EN_DASH for power in powers]
    clock = words.clock(start.time()) if isinstance(start, datetime) else ""
    return PowerLine(clock, *said)
