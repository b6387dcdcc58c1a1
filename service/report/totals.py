"""What a verification comes to in single figures, for headlines and lists. Nothing is judged here."""

from __future__ import annotations

from datetime import timedelta

from service.verify.result import Verification


def heard_count(found: Verification) -> int:
    """Return how many units were heard at all in the window."""
    return sum(unit.measured_wh is not None for unit in found.units)


def lost_wh_per_day(found: Verification) -> float:
    """Return the faults' lost energy a day, Wh/d; a window of a few hours of sun counts as a day."""
    lost = sum(f.lost_wh or 0.0 for f in found.findings if f.is_fault)
    return lost / max((found.end - found.start) / timedelta(days=1), 1.0)
