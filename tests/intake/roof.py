"""A site record as an installer's program would send it, and readings for it."""

from __future__ import annotations

from typing import Any

SERIALS = ("482913377001", "482913377002", "482913377003")
START = "2026-05-04T00:00:00+01:00"
JSON = "application/json"


def record() -> dict[str, Any]:
    """Return a new record of three units on one plane and branch."""
    return {
        "name": "Mill Lane 4",
        "latitude": 53.8,
        "longitude": -1.55,
        "elevation_m": 60,
        "timezone": "Europe/London",
        "commissioned_on": "2026-05-04",
        "planes": [
            {
                "name": "south roof",
                "tilt_deg": 35,
                "azimuth_deg": 170,
                "horizon": [{"azimuth_deg": 230, "elevation_deg": 12}],
            }
        ],
        "module_types": [{"name": "module", "pmax_w": 400, "gamma_pmax_per_c": -0.0035, "substrings": 3}],
        "inverter_types": [{"name": "inverter", "ac_rated_w": 350, "efficiency": 0.965}],
        "branches": [{"name": "A"}],
        "units": [_unit(serial, column) for column, serial in enumerate(SERIALS, start=1)],
    }


def _unit(serial: str, column: int) -> dict[str, Any]:
    return {
        "serial": serial,
        "plane": "south roof",
        "row": 1,
        "column": column,
        "branch": "A",
        "module_type": "module",
        "inverter_type": "inverter",
    }


def table(*values: float | None, **fields: Any) -> dict[str, Any]:
    """Return a table with the first unit's energies; `fields` are put beside or in place of them."""
    return {"interval_min": 5, "start": START, "energy_wh": {SERIALS[0]: list(values)}, **fields}
