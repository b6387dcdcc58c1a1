"""The site as the physics sees it: frozen, validated elsewhere (intake), free of storage concerns.

Angles in degrees, azimuth clockwise from true north, powers in W, temperatures in degC, times in UTC.
Every default names its source; each can be set on the site record.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

DEFAULT_ALBEDO = 0.2
"""Ground reflectance; PVWatts v5 manual (NREL/TP-6A20-62641) uses 0.2."""

DEFAULT_GAMMA_PMAX_PER_C = -0.0035
"""Power coefficient of a present-day crystalline silicon module, 1/degC; PVWatts v5 'premium' module."""

DEFAULT_LOW_LIGHT_K = 0.01
"""Loss at low light, Marion 2008 (NREL/CP-520-42511) in PVWatts form."""

DEFAULT_EFFICIENCY = 0.96
"""Nominal inverter efficiency; PVWatts v5 (NREL/TP-6A20-62641)."""


@dataclass(frozen=True)
class Losses:
    """Losses a single unit really has, as fractions; PVWatts v5 defaults (NREL/TP-6A20-62641, table 6).

    Mismatch, DC wiring, shading and availability of that table are left out: they are what is measured here.
    """

    soiling: float = 0.02
    connections: float = 0.005
    light_induced_degradation: float = 0.015
    nameplate: float = 0.01

    @property
    def factor(self) -> float:
        """Return the share of DC power that is left, dimensionless (0.951 by default)."""
        return (
            (1 - self.soiling)
            * (1 - self.connections)
            * (1 - self.light_induced_degradation)
            * (1 - self.nameplate)
        )


@dataclass(frozen=True)
class Plane:
    """One roof plane. `horizon` is ((azimuth_deg, elevation_deg), ...), sorted by azimuth, may be empty."""

    name: str
    tilt_deg: float
    azimuth_deg: float
    horizon: tuple[tuple[float, float], ...] = ()
    albedo: float = DEFAULT_ALBEDO
    mounting: str = "close_roof"
    """'close_roof', 'insulated_back' or 'open_rack' (SAPM sets, King et al. 2004, SAND2004-3535)."""


@dataclass(frozen=True)
class ModuleType:
    """A module's datasheet values."""

    name: str
    pmax_w: float
    gamma_pmax_per_c: float = DEFAULT_GAMMA_PMAX_PER_C
    substrings: int = 3
    low_light_k: float = DEFAULT_LOW_LIGHT_K


@dataclass(frozen=True)
class InverterType:
    """An inverter's datasheet values."""

    name: str
    ac_rated_w: float
    efficiency: float = DEFAULT_EFFICIENCY


@dataclass(frozen=True)
class Unit:
    """One small inverter (or one metered input of it) with its module or modules.

    `active_from` and `active_until` bound its time on the roof (local dates; from inclusive, until not);
    None means open.
    """

    serial: str
    plane: str
    module_type: str
    inverter_type: str
    module_count: int = 1
    row: int | None = None
    column: int | None = None
    branch: str | None = None
    active_from: date | None = None
    active_until: date | None = None


@dataclass(frozen=True)
class Site:
    """A site record as validated by intake."""

    name: str
    latitude: float
    longitude: float
    timezone: str
    planes: tuple[Plane, ...]
    module_types: tuple[ModuleType, ...]
    inverter_types: tuple[InverterType, ...]
    units: tuple[Unit, ...]
    elevation_m: float = 0.0
    losses: Losses = field(default_factory=Losses)
    turbidity: float | None = None
    """Linke turbidity that replaces pvlib's monthly climatology."""
    air_temp_c: float | None = None
    """Ambient temperature that replaces the stated default where no weather is given."""

    def plane(self, name: str) -> Plane:
        """Return the plane of that name; KeyError if the record has none."""
        return {p.name: p for p in self.planes}[name]

    def module_type(self, name: str) -> ModuleType:
        """Return the module type of that name; KeyError if the record has none."""
        return {m.name: m for m in self.module_types}[name]

    def inverter_type(self, name: str) -> InverterType:
        """Return the inverter type of that name; KeyError if the record has none."""
        return {i.name: i for i in self.inverter_types}[name]

    def dc_rated_w(self, unit: Unit) -> float:
        """Return the unit's rated DC power at standard test conditions, W."""
        return self.module_type(unit.module_type).pmax_w * unit.module_count
