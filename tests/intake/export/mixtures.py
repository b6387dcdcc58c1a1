"""Makes with every property drawn by itself: what a stranger's spreadsheet may be like."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date
from typing import Any

from tests.intake.export.corpus import HEX_SERIALS, ZONE, Make, any_make

ACROSS = ("transposed", "days", "times")
WRITTEN = ("serial", "serial", "serial", "zeros_lost", "end", "prefixed", "dashed", "spaced", "scientific")
BY_A_PERSON = ("numbered", "roof", "place")
UNITS = {"w": "W", "kw": "kW", "wh": "Wh", "kwh": "kWh"}


def mixture(seed: int) -> Make:
    """Return a make by its seed."""
    dice = random.Random(f"mixture {seed}")  # noqa: S311 - invented files
    make = replace(any_make(seed), name=f"mixture_{seed}", azimuth=dice.uniform(90, 270))
    for change in (_named, _shaped, _timed, _celled, _stepped, _read_at):
        make = replace(make, **change(make, dice))
    return make


def _read_at(make: Make, dice: random.Random) -> dict[str, Any]:
    """Counters are read at moments, or say that they are not: so were all 67 in files that three strangers made."""
    if not make.quantity.startswith("counter") or make.label == "end":
        return {}
    plain = make.shape in ("wide", "long") and make.kind == "csv" and not make.irregular
    return {"time_heading": "Start"} if plain and dice.random() < 0.1 else {"label": "end"}


def _named(_make: Make, dice: random.Random) -> dict[str, Any]:
    if dice.random() < 0.15:
        return {"names": dice.choice(("lower", "serial", "dashed")), "serials": HEX_SERIALS}
    return {"names": dice.choice(BY_A_PERSON if dice.random() < 0.1 else WRITTEN)}


def _shaped(make: Make, dice: random.Random) -> dict[str, Any]:
    if dice.random() < 0.6:
        return {"shape": dice.choice(("wide", "long"))}
    shape = dice.choice((*ACROSS, "blocks", "blocks", "sheets", "archive", "xlsx"))
    unit = UNITS[make.quantity.partition("_")[2]]
    if shape in ACROSS:
        time = "%Y-%m-%d" if shape != "transposed" else make.time
        made = {
            "shape": shape,
            "time": time,
            "newest_first": False,
            "missing": None,
            "offset": "",
            "preamble": (),
        }
        made["value_heading"] = made["time_heading"] = f"Energy ({unit})" if "w" in unit.lower() else ""
        made["time_heading"] = "Date"
        made["interval"] = max(5, make.interval)
        return (
            made
            | {"preamble": (f"Values in {unit}",)}
            | ({"serials": make.serials[:1]} if shape == "times" else {})
        )
    if shape == "archive":
        return {"kind": "zip", "value_heading": f"{make.value_heading or 'Value'}", "shape": "wide"}
    if shape in ("sheets", "xlsx"):
        plain = {
            "kind": "xlsx",
            "decimal": ".",
            "offset": "",
            "time": "%Y-%m-%d %H:%M:%S",
            "interval": max(5, make.interval),
        }
        return plain | {"shape": "sheets" if shape == "sheets" else dice.choice(("wide", "long"))}
    return {"shape": "blocks", "preamble": (), "newest_first": False}


def _timed(make: Make, dice: random.Random) -> dict[str, Any]:
    found: dict[str, Any] = {"zone": ZONE} if dice.random() < 0.6 else {}
    if make.shape in ACROSS or make.kind == "xlsx":
        return found
    if dice.random() < 0.2:
        language = dice.choice(("de", "fr", "es", "it"))
        time = dice.choice(("%d %b %Y %H:%M", "%a %d.%m.%Y %H:%M", "%d-%b-%y %H:%M"))
        return found | {"time": time, "language": language, "offset": "", "encoding": "utf-8"}  # fmt: skip
    if dice.random() < 0.1:
        return found | {"time": dice.choice(("epoch", "epoch_ms", "epoch_us")), "zone": "UTC", "offset": ""}
    if make.label == "end" and "%H:%M" in make.time and not make.offset and dice.random() < 0.2:
        return found | {"midnight_24": True}
    return found


def _celled(make: Make, dice: random.Random) -> dict[str, Any]:
    unit = UNITS[make.quantity.partition("_")[2]]
    found: dict[str, Any] = {}
    if make.shape in ("wide", "long") and make.kind == "csv" and dice.random() < 0.12:
        heading = {"counter": "Total", "power": "", "energy": ""}[make.quantity.partition("_")[0]]
        found |= {
            "cell_unit": unit,
            "heading": f"{{serial}} {heading}".strip(),
            "value_heading": heading or "Value",
        }
    elif make.shape in ("wide", "long") and make.quantity != "power_w" and dice.random() < 0.15:
        beside = tuple(dice.sample(("power", "dc", "ac", "hz", "temp"), dice.randint(1, 3)))
        kind = {"counter": "Total", "power": "Power", "energy": "Energy"}[make.quantity.partition("_")[0]]
        if not make.quantity.startswith("power"):
            found |= {
                "beside": beside,
                "heading": f"{{serial}} {kind} ({unit})",
                "value_heading": f"{kind} ({unit})",
            }
    if make.quantity.startswith("counter") and dice.random() < 0.3:
        other = {".": (",", "'", " "), ",": (".", " ")}[make.decimal]
        found["thousands"] = dice.choice([t for t in other if t != make.delimiter] or [""])
    if make.shape in ("wide", "long") and make.kind == "csv" and not make.newest_first:
        found |= {"total": dice.random() < 0.1, "again": dice.choice((0, 0, 0, 0, 50))}
        found["footer"] = dice.choice((None, None, "Generated at 2026-12-24 08:00", "# end"))
    if not make.quantity.startswith("counter") and make.missing is None and dice.random() < 0.1:
        found["negative"] = True
    return found


def _stepped(make: Make, dice: random.Random) -> dict[str, Any]:
    first = date(2026, dice.randint(1, 12), dice.randint(1, 28))
    found: dict[str, Any] = {"first": first}
    plain = make.shape in ("wide", "long") and make.kind == "csv" and make.missing is None and not make.total
    if plain and make.quantity == "power_w" and dice.random() < 0.3:
        return found | {"irregular": True, "interval": 5, "newest_first": False, "time": "%Y-%m-%d %H:%M:%S",
                        "offset": "", "midnight_24": False, "language": "en", "zone": ZONE,
                        "days": 3, "beside": ()}  # fmt: skip
    if plain and make.shape == "long" and make.quantity.startswith("energy") and dice.random() < 0.3:
        changes = dice.random() < 0.5
        return found | {"intervals": dice.choice(((5, 15, 15), (15, 5, 5), (30, 15, 15))), "changes": changes,
                        "days": 3, "interval": 15, "newest_first": False, "midnight_24": False}  # fmt: skip
    if plain and dice.random() < 0.15 and not make.quantity.startswith("counter"):
        return found | {"hours": (3, 19)}
    return found
