"""The causes, one file each. A file has `find(case, named) -> list[Finding]`; adding a cause is adding a file here.

`named` holds the serials that an earlier cause has already explained. The order is the order of exclusion: what
speaks for the whole site first, then what is certain, then what rests on a level.
"""

from __future__ import annotations

from collections.abc import Callable

from service.verify.case import Case
from service.verify.causes import (
    branch_out,
    clipping,
    clock_shift,
    curtailed,
    data_gap,
    intermittent,
    low_output,
    no_output,
    not_on_record,
    not_reporting,
    plane_misdescribed,
    shaded,
    site_low,
    substring_out,
    swapped,
    unit_scale,
    voltage_trip,
    wrong_plane,
)
from service.verify.result import Finding

Find = Callable[[Case, frozenset[str]], list[Finding]]

IN_ORDER: tuple[Find, ...] = (
    unit_scale.find,
    clock_shift.find,
    plane_misdescribed.find,
    curtailed.find,
    site_low.find,
    not_reporting.find,
    not_on_record.find,
    branch_out.find,
    no_output.find,
    voltage_trip.find,
    swapped.find,
    wrong_plane.find,
    intermittent.find,
    substring_out.find,
    low_output.find,
    low_output.find_planes,
    shaded.find,
    low_output.find_unsteady,
    data_gap.find,
    clipping.find,
)


def name_causes(case: Case) -> tuple[Finding, ...]:
    """Return all findings, faults before information, the largest loss first."""
    findings: list[Finding] = []
    named: frozenset[str] = frozenset()
    for find in IN_ORDER:
        new = find(case, named)
        findings += new
        named |= {serial for f in new if f.is_fault for serial in f.serials}
    return tuple(sorted(findings, key=lambda f: (not f.is_fault, -(f.lost_wh or 0.0))))
