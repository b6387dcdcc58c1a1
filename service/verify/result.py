"""What a verification says: the contract's fields as frozen dataclasses.

`as_contract` gives the JSON form; energies in Wh, times as aware UTC datetimes until they are written.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Literal

Light = Literal["enough", "little", "none"]
Verdict = Literal["verified", "attention", "too_little_light"]
SkySource = Literal["array", "measured", "clear_sky"]

INFORMATION_CAUSES = frozenset({"clipping"})
"""Causes that inform and are no fault."""


@dataclass(frozen=True)
class Told:
    """What an open weather service told of the window: its name, when it was last asked for it, and what it was for.

    `air_temp`: whether the air temperature is its, in part at least. `light_over_array` is its global irradiation over
    that inferred from the units, with `low` and `high`, two standard uncertainties of both away; None where either
    tells nothing. It is a second opinion: nothing is judged by it.
    """

    name: str
    fetched_at: datetime
    air_temp: bool
    light_over_array: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Sky:
    """The sky of the window: where it comes from, its clear share (0-1), and whether there was light enough."""

    source: SkySource
    clear_share: float | None
    light: Light
    measured_over_array: float | None = None
    """Measured irradiation over that inferred from the units, where irradiance was given; else None."""
    more_minutes: float | None = None
    """About how many more minutes of light like the last a verdict on every unit needs; None where there is light
    enough, or too little to tell."""
    air_temp_sd_k: float | None = None
    """Standard uncertainty of the air temperature, weighted by the energy expected at it; None without any light."""
    temperature_sd: float | None = None
    """What it leaves open for the unit that feels it most, a share (standard uncertainty): of its performance ratio
    where the sky is read from the units, else of its performance index, whose band holds it."""
    service: Told | None = None
    """The open weather service that was asked; None where none was."""


@dataclass(frozen=True)
class UnitResult:
    """One unit's line in the ranking; the fields are the contract's."""

    serial: str
    plane: str
    row: int | None
    column: int | None
    branch: str | None
    rank: int
    measured_wh: float | None
    expected_wh: float | None
    reference_yield_h: float | None
    performance_ratio: float | None
    performance_ratio_25c: float | None
    performance_index: float | None
    performance_index_low: float | None
    performance_index_high: float | None
    heard_share: float
    smallest_visible_loss_pct: float | None
    causes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Finding:
    """One named cause with its evidence and what to look at first.

    `evidence` and `advice` are sentences, in English and by their parts (`verify/sentence.py`).
    `serials` is empty where the whole site or a whole plane or branch is meant without naming units.
    `details` holds the cause's own extra fields (`minutes`, `factor`, `resembles`), written beside the others.
    """

    cause: str
    serials: tuple[str, ...]
    confidence: float
    evidence: str
    advice: str
    first_seen: datetime | None = None
    last_seen: datetime | None = None
    lost_wh: float | None = None
    annual_loss_kwh: float | None = None
    plane: str | None = None
    branch: str | None = None
    details: dict[str, Any] = field(default_factory=dict)

    @property
    def is_fault(self) -> bool:
        """Return whether the cause is a fault and not just information."""
        return self.cause not in INFORMATION_CAUSES


@dataclass(frozen=True)
class Unseen:
    """A cause that the window does not allow to judge, and what is missing for it, in a sentence and in numbers.

    `planes` and `serials` say for which planes and units; both empty: for the whole site. `needs` holds what is
    missing by name: `minutes`, `hours` or `days` of light, sun or days to come, `interval_min`, `like_units`, ….
    """

    cause: str
    missing: str
    planes: tuple[str, ...] = ()
    serials: tuple[str, ...] = ()
    needs: dict[str, float] = field(default_factory=dict)

    @property
    def waiting_helps(self) -> bool:
        """Return whether time alone may bring what is missing."""
        return not self.needs.keys().isdisjoint({"minutes", "hours", "days"})


@dataclass(frozen=True)
class Curves:
    """The window's series for drawing: starts (T,) UTC ISO strings, per serial lists of Wh (None: not heard)."""

    interval_min: int
    start: datetime
    measured_wh: dict[str, list[float | None]]
    expected_wh: dict[str, list[float]]


@dataclass(frozen=True)
class Verification:
    """The verification of one site and window."""

    start: datetime
    end: datetime
    sky: Sky
    verdict: Verdict
    units: tuple[UnitResult, ...]
    findings: tuple[Finding, ...]
    curves: Curves | None = None
    """For pages and charts; not part of the contract's form."""
    not_yet: tuple[Unseen, ...] = ()
    """What the window does not allow to judge."""

    def as_contract(self, site_id: str) -> dict[str, Any]:
        """Return the JSON form of the HTTP contract; times in ISO 8601 with offset."""
        return {
            "site_id": site_id,
            "start": self.start.isoformat(),
            "end": self.end.isoformat(),
            "sky": _sky_contract(self.sky),
            "verdict": self.verdict,
            "units": [{**asdict(u), "causes": list(u.causes)} for u in self.units],
            "findings": [_finding_contract(f) for f in self.findings],
            "not_yet": [_unseen_contract(u) for u in self.not_yet],
        }


def _sky_contract(sky: Sky) -> dict[str, Any]:
    fields = asdict(sky)
    if sky.service is not None:
        fields["service"]["fetched_at"] = sky.service.fetched_at.isoformat()
    return fields


def _finding_contract(finding: Finding) -> dict[str, Any]:
    fields = asdict(finding)
    details = {name: _plain(value) for name, value in fields.pop("details").items()}
    fields |= {"evidence": str(finding.evidence), "advice": str(finding.advice)}
    fields["serials"] = list(finding.serials)
    for name in ("first_seen", "last_seen"):
        moment = fields[name]
        fields[name] = moment.isoformat() if moment else None
    return {**fields, **details}


def _unseen_contract(unseen: Unseen) -> dict[str, Any]:
    """Return the entry with its planes as a list, and as `plane` where it is one, as in a finding."""
    planes = list(unseen.planes)
    plane = planes[0] if len(planes) == 1 else None
    missing = str(unseen.missing)
    return {
        **asdict(unseen),
        "missing": missing,
        "plane": plane,
        "planes": planes,
        "serials": list(unseen.serials),
    }


def _plain(value: Any) -> Any:
    """Return a sentence as the text that it is."""
    return str(value) if isinstance(value, str) else value
