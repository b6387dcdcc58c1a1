"""A correction of each kind, and a record that they all fit."""

from __future__ import annotations

from typing import Any

from service.intake.record import as_stored, read_record
from tests.intake.roof import SERIALS, record

STRANGER = "482913377010"

TURNED = {"kind": "plane", "plane": "south roof", "azimuth_deg": 196.4, "tilt_deg": 32.5}
MOVED = {"kind": "move", "serial": SERIALS[1], "plane": "east roof"}
SWAPPED = {"kind": "swap", "serials": [SERIALS[0], SERIALS[2]]}
RENAMED = {"kind": "serial", "recorded": SERIALS[1], "heard": STRANGER}
LATE = {"kind": "clock", "changes": [{"from": None, "minutes": 60}]}
EACH_KIND = [TURNED, MOVED, SWAPPED, RENAMED, LATE]


def two_roofs() -> dict[str, Any]:
    """Return a stored record whose third unit is on a second roof and branch."""
    data = record()
    data["planes"].append({"name": "east roof", "tilt_deg": 30, "azimuth_deg": 90})
    data["branches"].append({"name": "B"})
    data["units"][2] |= {"plane": "east roof", "row": 2, "column": 5, "branch": "B", "module_count": 2}
    data["inverter_types"].append({"name": "large", "ac_rated_w": 700})
    data["units"][2] |= {"inverter_type": "large", "from": "2026-05-05"}
    return as_stored(read_record(data))
