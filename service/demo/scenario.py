"""The demo's invented firm, its roofs and what is wrong with them. Data only; `simulate` makes readings of it.

All names, serials and streets are invented. Coordinates are round, so that they fit a climate and no address.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

FIRM = "Brackenridge & Daughters, roof electricians"

FIRM_PHONE, FIRM_EMAIL = "+44 1632 960 417", "roofs@brackenridge.example"
"""The United Kingdom's regulator keeps 01632 960000 to 960999 for drama, RFC 2606 `.example` for examples."""

OFFICE_USER = "Maud Tolliver"
INSTALLER_USER = "Isko Renn"


@dataclass(frozen=True)
class Roof:
    """One plane, filled with rows of units."""

    name: str
    tilt_deg: float
    azimuth_deg: float
    rows: int
    columns: int


@dataclass(frozen=True)
class Fault:
    """What befalls units (by their number on the site, from 0): `cause` as the contract names it.

    `share` is what is left of the power (substring_out, low_output) or missing of the readings (data_gap); `from_day`
    counts days from the window's start. What stopped until `until_day` was mended then.
    """

    cause: str
    units: tuple[int, ...]
    share: float = 1.0
    from_day: float = 0.0
    until_day: float | None = None


@dataclass(frozen=True)
class DemoSite:
    """One site: its record, its weather, its faults.

    `skies` has one word a day; `haze` is the aerosol depth at 700 nm; `air_c` are the means of the coldest and the
    warmest month. `heard_from_h` and `heard_until_h` bound the readings on the last day of a site that is new.
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float
    timezone: str
    roofs: tuple[Roof, ...]
    module_w: float
    inverter_w: float
    box: int
    skies: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
    air_c: tuple[float, float] = (5.0, 18.0)
    haze: float = 0.09
    branch_size: int = 8
    interval_min: int = 5
    scale: float = 1.0
    heard_from_h: float | None = None
    heard_until_h: float = 24.0
    serials: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Number the units out of one box."""
        count = sum(r.rows * r.columns for r in self.roofs)
        numbers = (f"{self.box}{(n * 7919 + 1048) % 1_000_000:06d}" for n in range(count))
        object.__setattr__(self, "serials", tuple(numbers))

    def units(self) -> list[tuple[Roof, int, int]]:
        """Return every unit's plane, row and column, in the order of the serials."""
        return [
            (r, row, column)
            for r in self.roofs
            for row in range(1, r.rows + 1)
            for column in range(1, r.columns + 1)
        ]

    def noted_serials(self) -> list[str]:
        """Return the serials as the crew wrote them down: two digits transposed where `not_on_record` struck."""
        slips = {unit for fault in self.faults if fault.cause == "not_on_record" for unit in fault.units}
        return [_transposed(serial) if n in slips else serial for n, serial in enumerate(self.serials)]

    def record(self, commissioned_on: str) -> dict[str, Any]:
        """Return the site record of the HTTP contract."""
        module, inverter = f"{self.module_w:.0f} W module", f"{self.inverter_w:.0f} W inverter"
        branches = ["ABCDEF"[n // self.branch_size] for n in range(len(self.serials))]
        units = [
            {"serial": serial, "plane": roof.name, "row": row, "column": column, "branch": branch,
             "module_type": module, "inverter_type": inverter}
            for serial, branch, (roof, row, column) in zip(self.noted_serials(), branches, self.units(), strict=True)
        ]  # fmt: skip
        planes = [{"name": r.name, "tilt_deg": r.tilt_deg, "azimuth_deg": r.azimuth_deg} for r in self.roofs]
        return {
            "name": self.name,
            "latitude": self.latitude,
            "longitude": self.longitude,
            "elevation_m": self.elevation_m,
            "timezone": self.timezone,
            "commissioned_on": commissioned_on,
            "planes": planes,
            "module_types": [{"name": module, "pmax_w": self.module_w, "gamma_pmax_per_c": -0.0031}],
            "inverter_types": [{"name": inverter, "ac_rated_w": self.inverter_w, "efficiency": 0.965}],
            "branches": [{"name": name} for name in sorted(set(branches))],
            "units": units,
        }


def _transposed(serial: str) -> str:
    """Return the serial with the last two neighbouring digits that differ exchanged."""
    at = next(n for n in range(len(serial) - 2, 0, -1) if serial[n] != serial[n + 1])
    return serial[:at] + serial[at + 1] + serial[at] + serial[at + 2 :]


HEALTHY = "Vine Press House"
MENDED = "Wattle Bend 31"
MENDED_FAULT = Fault("no_output", (9,), from_day=0.0, until_day=4.43)
"""What was found on that site in its first days, and mended on a return visit."""

NEW = "Patio de las Tinas"

SITES = (
    DemoSite(
        name="Tannery Row 9",
        latitude=53.7, longitude=-1.7, elevation_m=120, timezone="Europe/London",
        roofs=(Roof("south roof", 35, 172, 2, 8),),
        module_w=400, inverter_w=350, box=482913,
        skies=("broken", "fair", "grey", "broken", "clear", "broken", "fair"),
        faults=(
            Fault("not_on_record", (5,)),
            Fault("substring_out", (11,), share=0.66),
            Fault("not_reporting", (14,)),
        ),
    ),
    DemoSite(
        name=HEALTHY,
        latitude=44.9, longitude=4.9, elevation_m=160, timezone="Europe/Paris",
        roofs=(Roof("street side", 28, 195, 3, 4), Roof("garden side", 28, 105, 2, 3)),
        module_w=410, inverter_w=380, box=517204, air_c=(5.0, 22.0),
        skies=("clear", "fair", "clear", "broken", "fair", "clear", "broken"),
    ),
    DemoSite(
        name="Olive Terrace 3",
        latitude=37.4, longitude=-5.6, elevation_m=80, timezone="Europe/Madrid",
        roofs=(Roof("south roof", 24, 180, 3, 6),),
        module_w=450, inverter_w=300, box=630118, air_c=(11.0, 28.0), haze=0.11,
        skies=("clear", "clear", "fair", "clear", "clear", "fair", "clear"),
        faults=(
            Fault("low_output", (4,), share=0.80),
            Fault("intermittent", (9,)),
            Fault("shaded", (12, 13)),
        ),
    ),
    DemoSite(
        name=MENDED,
        latitude=-34.6, longitude=138.9, elevation_m=90, timezone="Australia/Adelaide",
        roofs=(Roof("east roof", 22, 82, 3, 4), Roof("west roof", 22, 262, 3, 4)),
        module_w=420, inverter_w=380, box=274650, air_c=(11.0, 23.0),
        skies=("clear", "fair", "clear", "broken", "clear", "clear", "fair"),
        faults=(
            Fault("swapped", (3, 15)),
            Fault("no_output", (20,), from_day=3.47),
            MENDED_FAULT,
            Fault("wrong_plane", (7,)),
        ),
    ),
    DemoSite(
        name="Kiln Barn",
        latitude=39.9, longitude=-105.0, elevation_m=1600, timezone="America/Denver",
        roofs=(Roof("barn roof", 30, 205, 2, 6),),
        module_w=390, inverter_w=350, box=845037, air_c=(0.0, 23.0), haze=0.05,
        skies=("clear", "broken", "clear", "fair", "broken", "clear", "clear"),
        interval_min=15, scale=0.001,
        faults=(Fault("substring_out", (2,), share=0.32),),
    ),
    DemoSite(
        name="Millstream Farm",
        latitude=-33.4, longitude=19.2, elevation_m=250, timezone="Africa/Johannesburg",
        roofs=(Roof("north shed", 20, 2, 3, 8),),
        module_w=440, inverter_w=380, box=391562, air_c=(11.0, 23.0),
        skies=("fair", "clear", "broken", "clear", "grey", "clear", "fair"),
        faults=(
            Fault("branch_out", tuple(range(16, 24)), from_day=5.52),
            Fault("data_gap", (6,), share=0.35),
            Fault("low_output", (1,), share=0.86),
        ),
    ),
    DemoSite(
        name=NEW,
        latitude=17.2, longitude=-96.7, elevation_m=1550, timezone="America/Mexico_City",
        roofs=(Roof("flat roof, south rack", 15, 180, 2, 5),),
        module_w=400, inverter_w=350, box=708421, air_c=(18.0, 22.0),
        skies=("fair",) * 7,
        heard_from_h=13.25, heard_until_h=16.0,
        faults=(Fault("no_output", (8,)), Fault("not_reporting", (3,))),
    ),
)  # fmt: skip
