"""A fleet of invented sites from an engine other than the service's own physics.

`make_site(seed)` gives a site record, its readings and the truth about every unit. Sun and plane-of-array
irradiance come from SAM (PySAM's Irradproc), everything behind them from this folder; of the service only the
dataclasses of record and readings are used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.inputs import Readings
from tests.fleet.clouds import behind_clouds
from tests.fleet.faults import LATER, PRIMARY, Fault, Slip, gap_positions, plant
from tests.fleet.plant import Inverter, Module
from tests.fleet.roof import Air, Facing, Roof
from tests.fleet.skies import DAY_MIN, SKIES, day_shares
from tests.fleet.sun import Array, Place, clear_sky, sun

PLACES = (
    Place("Durham", 54.78, -1.57, 100, "Europe/London"),
    Place("Uppsala", 59.86, 17.64, 20, "Europe/Stockholm"),
    Place("Leipzig", 51.34, 12.37, 115, "Europe/Berlin"),
    Place("Lyon", 45.76, 4.84, 175, "Europe/Paris"),
    Place("Zaragoza", 41.65, -0.89, 220, "Europe/Madrid"),
    Place("Patras", 38.25, 21.73, 20, "Europe/Athens"),
    Place("Boulder", 40.01, -105.27, 1620, "America/Denver"),
    Place("Tucson", 32.22, -110.97, 730, "America/Phoenix"),
    Place("Halifax", 44.65, -63.58, 30, "America/Halifax"),
    Place("Nagoya", 35.18, 136.91, 15, "Asia/Tokyo"),
    Place("Pune", 18.52, 73.86, 560, "Asia/Kolkata"),
    Place("Kumasi", 6.69, -1.62, 260, "Africa/Accra"),
    Place("Recife", -8.05, -34.9, 10, "America/Recife"),
    Place("Brisbane", -27.47, 153.03, 25, "Australia/Brisbane"),
    Place("Perth", -31.95, 115.86, 20, "Australia/Perth"),
    Place("Rosario", -32.95, -60.66, 25, "America/Argentina/Cordoba"),
    Place("Bloemfontein", -29.12, 26.21, 1395, "Africa/Johannesburg"),
    Place("Dunedin", -45.87, 170.5, 15, "Pacific/Auckland"),
)
FIRST_DAY = date(2025, 7, 1)
LOWEST_NOON_DEG = 12
"""Days with a lower sun at noon are not drawn: there is hardly light to judge by."""

SCALES = (0.001, 1000.0, 12.0, 1 / 12, 3600.0)
NOISE = MISSING = 0.01
HEALTHY_SITES, SCALED_SITES, GAPPED_SITES, MISLED_SITES = 0.25, 0.06, 0.04, 0.12


@dataclass(frozen=True)
class FleetSite:
    """A site, what its units sent, and what is true of them.

    `truth` names by serial what is wrong; a stranger's serial has `not_on_record`, the recorded one that it was
    mistaken for `not_reporting`. `site_truth` may hold `unit_scale` (values sent are true ones times this) and
    `data_gap` (share of lit intervals that nobody was heard in). `clipped` is the share of energy sent at the
    inverter's rating.
    """

    seed: int
    sky: str
    site: Site
    readings: Readings
    truth: Mapping[str, Fault]
    site_truth: Mapping[str, float]
    clipped: Mapping[str, float]
    resembles: Mapping[str, str]
    sun_hours: float
    """Mean irradiation on the units' planes per day, kWh/m2."""

    def record(self) -> dict[str, Any]:
        """Return the site record of the HTTP contract."""
        site = self.site
        planes = [{"name": p.name, "tilt_deg": p.tilt_deg, "azimuth_deg": p.azimuth_deg} for p in site.planes]
        modules = [{k: v for k, v in asdict(m).items() if k != "low_light_k"} for m in site.module_types]
        hidden = ("active_from", "active_until")
        return {
            "name": site.name,
            "latitude": site.latitude,
            "longitude": site.longitude,
            "elevation_m": site.elevation_m,
            "timezone": site.timezone,
            "planes": planes,
            "module_types": modules,
            "inverter_types": [asdict(i) for i in site.inverter_types],
            "branches": [{"name": b} for b in sorted({u.branch for u in site.units if u.branch})],
            "units": [{k: v for k, v in asdict(u).items() if k not in hidden} for u in site.units],
        }

    def table(self) -> dict[str, Any]:
        """Return the readings as the contract's table."""
        rows = dict(zip((u.serial for u in self.site.units), self.readings.energy_wh, strict=True))
        return {
            "interval_min": self.readings.interval_min,
            "start": self.readings.start.isoformat(),
            "energy_wh": {
                serial: _values(row) for serial, row in {**rows, **self.readings.strangers}.items()
            },
        }


def make_site(
    seed: int,
    *,
    sky: str = "mixed",
    days: int = 1,
    units: int | None = None,
    planes: int | None = None,
    faults: Sequence[str] | None = None,
    interval_min: int = 5,
) -> FleetSite:
    """Return the site of this seed under a 'clear', 'broken', 'overcast' or 'mixed' sky from local midnight on.

    `faults` names the causes to plant, one entry a unit (a branch, a pair), with `unit_scale` and `site_gap` for
    the whole site; None draws them: never more than a third of the units.
    """
    rng = np.random.default_rng([seed, sorted(SKIES).index(sky), days])
    count = units or int(rng.integers(4, 31))
    causes = list(faults) if faults is not None else draw_causes(rng, count)
    place, air = _air(rng, sky, days)
    site = _record(rng, place, count, planes)
    roof = _roof(rng, site, place, air, interval_min)
    healthy = roof.energies()
    slips = plant(roof, [c for c in causes if c not in ("unit_scale", "site_gap")], rng)
    return _read_out(rng, seed, sky, site, roof, healthy, slips, causes)


def draw_causes(rng: Generator, units: int) -> list[str]:
    """Return causes for a site of `units`: none on every fourth site, else few more often than many."""
    causes: list[str] = []
    if rng.random() >= HEALTHY_SITES:
        most = max(units // 3, 1)
        struck = min(int(rng.integers(1, most + 1)), int(rng.integers(1, most + 1)))
        causes = [str(c) for c in rng.choice(PRIMARY, struck)]
        if rng.random() < MISLED_SITES and units >= 6:
            causes[0] = str(rng.choice(LATER))
    if rng.random() < SCALED_SITES:
        causes.append("unit_scale")
    if rng.random() < GAPPED_SITES:
        causes.append("site_gap")
    return causes


def _values(row: Array) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 4) for v in row]


# --- weather


def _air(rng: Generator, sky: str, days: int) -> tuple[Place, Air]:
    town = PLACES[rng.integers(len(PLACES))]
    away = rng.uniform(-0.4, 0.4, 2)
    place = replace(town, latitude=town.latitude + away[0], longitude=town.longitude + away[1])
    start, elevation, azimuth = _light_day(rng, place, days)
    minutes = minutes_from(start, place, days)
    turbidity, water = rng.uniform(0.8, 1.2), rng.uniform(0.8, 3.0)
    dni, dhi = clear_sky(place, minutes, elevation, turbidity_factor=turbidity, water_cm=water)
    shares = [_solar_day(rng, sky) for _ in range(days)]
    shift = noon_shift(place, minutes)
    beam, diffuse = (np.roll(np.concatenate(parts), shift) for parts in zip(*shares, strict=True))
    dni, dhi = behind_clouds(dni, dhi, beam=beam, diffuse=diffuse, elevation_deg=elevation, minutes=minutes)
    temp, wind = temperature(rng, place, start, minutes)
    return place, Air(minutes, elevation, azimuth, dni, dhi, temp, wind)


def _solar_day(rng: Generator, sky: str) -> tuple[Array, Array]:
    kind = str(rng.choice(["clear", "broken", "overcast", "mixed"])) if sky == "mixed" else sky
    return day_shares(rng, kind)


def minutes_from(start: date, place: Place, days: int) -> pd.DatetimeIndex:
    first = pd.Timestamp(start).tz_localize(place.timezone).tz_convert("UTC")
    return pd.date_range(first, periods=days * DAY_MIN, freq="1min")


def noon_shift(place: Place, minutes: pd.DatetimeIndex) -> int:
    """Return by how many minutes solar noon comes after the twelfth hour of the window."""
    first = minutes[0].hour * 60 + minutes[0].minute
    noon_utc = 720 - place.longitude * 4
    return round((noon_utc - first - 720 + 720) % DAY_MIN - 720)


def _light_day(rng: Generator, place: Place, days: int) -> tuple[date, Array, Array]:
    while True:
        start = FIRST_DAY + timedelta(days=int(rng.integers(365)))
        elevation, azimuth = sun(place, minutes_from(start, place, days))
        if elevation.max() >= LOWEST_NOON_DEG:
            return start, elevation, azimuth


def temperature(rng: Generator, place: Place, start: date, minutes: pd.DatetimeIndex) -> tuple[Array, Array]:
    """Return air temperature, degC, and wind, m/s: latitude, season, hour, and chance."""
    season = np.cos(2 * np.pi * (start.timetuple().tm_yday - 200) / 365) * np.sign(place.latitude)
    mean = 28 - 0.4 * max(abs(place.latitude) - 10, 0) - 0.005 * place.elevation_m
    mean += season * 0.22 * abs(place.latitude) + rng.normal(0, 3)
    hour = (minutes.hour + minutes.minute / 60 + place.longitude / 15).to_numpy(float)
    swing = rng.uniform(2, 7) * np.cos(2 * np.pi * (hour - 15) / 24)
    gusts = np.repeat(rng.gamma(3, 0.6, len(minutes) // 10), 10)
    return mean + swing, np.maximum(gusts, 0.3)


# --- record and roof


def _record(rng: Generator, place: Place, count: int, planes: int | None) -> Site:
    roofs = _planes(rng, place, planes or int(rng.integers(1, 3)))
    kinds = [types(rng, p.name) for p in (roofs if rng.random() < 0.15 else roofs[:1])]
    layout = _layout(rng, roofs, count)
    units = tuple(
        Unit(serial, plane, kinds[min(at, len(kinds) - 1)][0].name, kinds[min(at, len(kinds) - 1)][1].name,
             row=row, column=column, branch="ABCDEF"[n // 7])
        for n, (serial, (at, plane, row, column)) in enumerate(zip(serials(rng, count), layout, strict=True))
    )  # fmt: skip
    return named_site(rng, place, roofs, kinds, units)


def named_site(
    rng: Generator,
    place: Place,
    planes: tuple[Plane, ...],
    kinds: Sequence[tuple[ModuleType, InverterType]],
    units: tuple[Unit, ...],
) -> Site:
    """Return the record of a house of that place, its number drawn."""
    return Site(
        name=f"{place.name} {rng.integers(1, 200)}",
        latitude=round(place.latitude, 4),
        longitude=round(place.longitude, 4),
        timezone=place.timezone,
        elevation_m=place.elevation_m,
        planes=planes,
        module_types=tuple(m for m, _ in kinds),
        inverter_types=tuple(i for _, i in kinds),
        units=units,
    )


def _planes(rng: Generator, place: Place, count: int) -> tuple[Plane, ...]:
    towards_sun = 180 if place.latitude >= 0 else 0
    tilt, azimuth = rng.uniform(8, 48), (towards_sun + rng.uniform(-100, 100)) % 360
    first = Plane("front", round(tilt, 1), round(azimuth, 1))
    if count == 1:
        return (first,)
    same = rng.random() < 0.2
    turn = rng.uniform(-5, 5) if same else rng.choice([90, -90, 180]) + rng.uniform(-8, 8)
    lean = np.clip(tilt + rng.uniform(-8, 8), 8, 50)
    return first, Plane("back", round(float(lean), 1), round(float((azimuth + turn) % 360), 1))


def types(rng: Generator, name: str) -> tuple[ModuleType, InverterType]:
    pmax = float(rng.integers(60, 91) * 5)
    rated = float(np.clip(round(pmax / rng.uniform(0.95, 1.35) / 5) * 5, 260, 400))
    module = ModuleType(f"module {name}", pmax, gamma_pmax_per_c=round(rng.uniform(-0.0042, -0.0029), 4))
    return module, InverterType(f"inverter {name}", rated, efficiency=Inverter(rated).efficiency)


def _layout(rng: Generator, roofs: tuple[Plane, ...], count: int) -> list[tuple[int, str, int, int]]:
    """Return (plane's position, its name, row, column) for every unit, plane after plane."""
    second = round(count * rng.uniform(0.25, 0.6)) if len(roofs) == 2 else 0
    width = int(rng.integers(3, 8))
    places = []
    for at, size in enumerate((count - second, second)[: len(roofs)]):
        places += [(at, roofs[at].name, n // width + 1, n % width + 1) for n in range(size)]
    return places


def serials(rng: Generator, count: int) -> list[str]:
    """Return serials from one box: mostly the same digits, apart by more than one slip of the pen."""
    box = int(rng.integers(100_000, 999_999))
    tails = rng.choice(900, count, replace=False) * 1111 % 1_000_000
    return [f"{box}{tail:06d}" for tail in tails]


def _roof(rng: Generator, site: Site, place: Place, air: Air, interval_min: int) -> Roof:
    facings: list[Facing] = [(p.tilt_deg, p.azimuth_deg) for p in (site.plane(u.plane) for u in site.units)]
    dirt, drift = rng.uniform(0.93, 0.99), rng.normal(0, 0.00015)
    low_light = rng.uniform(0.005, 0.03)
    noct = rng.uniform(43, 53)
    types = [site.module_type(u.module_type) for u in site.units]
    modules = [
        Module(t.pmax_w, t.gamma_pmax_per_c + drift, low_light, dirt * (1 + rng.normal(0, NOISE)))
        for t in types
    ]
    own = rng.uniform(0.003, 0.006)
    inverters = [Inverter(site.inverter_type(u.inverter_type).ac_rated_w, own=own) for u in site.units]
    branches = [u.branch or "" for u in site.units]
    albedo, lag = rng.uniform(0.1, 0.3), rng.uniform(4, 12)
    return Roof(place, air, interval_min, albedo, noct, lag, facings, modules, inverters, branches)


# --- meters


def _read_out(
    rng: Generator, seed: int, sky: str, site: Site, roof: Roof, healthy: Array, slips: list[Slip], causes: list[str]
) -> FleetSite:  # fmt: skip
    energy = roof.energies()
    truth = {
        site.units[u].serial: Fault(s.cause, _visible(roof, healthy, energy, u, s.cause))
        for s in slips
        for u in s.units
    }
    site_truth: dict[str, float] = {}
    if "site_gap" in causes:
        gap = gap_positions(roof, rng)
        roof.heard[:, gap] = False
        site_truth["data_gap"] = len(gap) / len(roof.lit)
    sent = _metered(rng, roof, energy)
    if "unit_scale" in causes:
        site_truth["unit_scale"] = float(rng.choice(SCALES))
        sent = sent * site_truth["unit_scale"]
    site, sent, truth, strangers, resembles = _misnoted(rng, site, sent, truth)
    start = roof.air.minutes[0].to_pydatetime()
    return FleetSite(
        seed=seed,
        sky=sky,
        site=site,
        readings=Readings(start, roof.interval_min, sent, strangers=strangers),
        truth=truth,
        site_truth=site_truth,
        clipped=_clipped(site, roof, energy),
        resembles=resembles,
        sun_hours=_sun_hours(roof),
    )


def _metered(rng: Generator, roof: Roof, energy: Array) -> Array:
    """Return what the units send: with noise, perhaps in whole Wh of a counter, perhaps silent at night."""
    sent = energy * (1 + rng.normal(0, NOISE, energy.shape))
    if rng.random() < 0.3:
        sent = np.diff(np.floor(np.cumsum(sent, axis=1)), axis=1, prepend=0.0)
    if rng.random() < 0.4:
        dark = roof.air.elevation_deg.reshape(-1, roof.interval_min).max(axis=1) < 0
        sent = np.where(dark, np.nan, sent)
    lost = rng.random(energy.shape) < MISSING
    return np.where(roof.heard & ~lost, sent, np.nan)


def _visible(roof: Roof, healthy: Array, energy: Array, unit: int, cause: str) -> float:
    """Return the share of the unit's energy in the window that its fault changes."""
    if cause == "not_on_record":
        return 1.0
    left = np.where(roof.heard[unit], energy[unit], 0.0)
    return float(np.abs(healthy[unit] - left).sum() / max(healthy[unit].sum(), 1e-9))


def _misnoted(
    rng: Generator, site: Site, sent: Array, truth: dict[str, Fault]
) -> tuple[Site, Array, dict[str, Fault], dict[str, Array], dict[str, str]]:
    """Mistype the record where a unit is `not_on_record`: its readings then come from a stranger."""
    units, strangers, resembles = list(site.units), {}, {}
    for n, unit in enumerate(site.units):
        if unit.serial not in truth or truth[unit.serial].cause != "not_on_record":
            continue
        noted = mistype(rng, unit.serial, {u.serial for u in units})
        units[n] = replace(unit, serial=noted)
        strangers[unit.serial], resembles[unit.serial] = sent[n].copy(), noted
        truth[noted] = Fault("not_reporting", 1.0)
        sent[n] = np.nan
    return replace(site, units=tuple(units)), sent, truth, strangers, resembles


def mistype(rng: Generator, serial: str, taken: set[str]) -> str:
    """Return the serial with one digit wrong or two neighbours transposed."""
    while True:
        at = int(rng.integers(4, len(serial) - 1))
        digit = str(rng.integers(10))
        one = serial[:at] + digit + serial[at + 1 :]
        two = serial[:at] + serial[at + 1] + serial[at] + serial[at + 2 :]
        noted = one if rng.random() < 0.5 else two
        if noted not in taken:
            return noted


def _clipped(site: Site, roof: Roof, energy: Array) -> dict[str, float]:
    shares = {}
    for unit, inverter, row in zip(site.units, roof.inverters, energy, strict=True):
        full = inverter.ac_rated_w * roof.interval_min / 60
        shares[unit.serial] = float(row[row > 0.995 * full].sum() / max(row.sum(), 1e-9))
    return shares


def _sun_hours(roof: Roof) -> float:
    lights = [roof.light(f) for f in roof.facings]
    total = np.mean([(light.beam + light.diffuse).sum() for light in lights])
    return float(total / 60_000 / (len(roof.air.minutes) / DAY_MIN))
