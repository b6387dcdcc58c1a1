"""Values that intake kept out, and what it noticed about counters, so far as nothing better came in their place.

A negative value by night is a meter that counts what the unit draws; by day it is a counter that ran back, as after a
reset. A counter that began anew or leapt was noticed where the counter itself was read.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from service.quality.model import Arrived, Finding, KeptOut, finding
from service.store.grids import moment

COUNTER = "counter"
ENERGIES = ("energy_wh", "power_w")


def find(arrived: Arrived) -> list[Finding]:
    """Return a finding for each kind of what was kept out within the window."""
    kinds: dict[str, list[KeptOut]] = {}
    for one in dict.fromkeys(arrived.kept_out):
        at = _interval(arrived, one)
        if 0 <= at < len(arrived.day) and not _is_mended(arrived, one, at):
            kinds.setdefault(_kind(arrived, one, at), []).append(one)
    return [_finding(arrived, kind, found) for kind, found in kinds.items()]


def _interval(arrived: Arrived, one: KeptOut) -> int:
    return (one.at_s - arrived.start_s) // (60 * arrived.interval_min)


def _kind(arrived: Arrived, one: KeptOut, at: int) -> str:
    if one.field == COUNTER:
        return "counter"
    if one.field not in ENERGIES:
        return "out_of_range"
    if one.value is None or one.value >= 0:
        return "too_high"
    return "negative_day" if arrived.lit[at] else "negative_night"


def _is_mended(arrived: Arrived, one: KeptOut, at: int) -> bool:
    return (
        one.field in ENERGIES
        and one.serial in arrived.serials
        and bool(arrived.heard[arrived.serials.index(one.serial), at])
    )


def _finding(arrived: Arrived, kind: str, found: list[KeptOut]) -> Finding:
    touched = np.zeros(arrived.heard.shape, dtype=bool)
    places = {serial: n for n, serial in enumerate(arrived.serials)}
    for one in found:
        if one.serial in places:
            touched[places[one.serial], _interval(arrived, one)] = True
    names = {"source": ", ".join(_sources(found))}
    if touched.any():
        due_wh = arrived.reference_wh
        return finding(arrived, kind, touched, values=len(found), energy_wh=due_wh, names=names)
    at = sorted(one.at_s for one in found)
    return Finding(
        kind=kind,
        serials=tuple(sorted({one.serial for one in found})),
        first=moment(at[0]),
        last=moment(at[-1] + 60 * arrived.interval_min),
        values=len(found),
        share=len(found) / max(1, int(arrived.due.sum())),
        energy_share=0.0,
        names=names,
    )


def _sources(found: Iterable[KeptOut]) -> list[str]:
    return sorted({one.source for one in found if one.source})
