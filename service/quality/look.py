"""All that is the matter with what came in: each kind's finder asked once. Nothing is repaired here or elsewhere."""

from __future__ import annotations

from service.quality import clock, gaps, kept_out, night, repeated, sources, spikes, stale
from service.quality.model import Arrived, Quality

FINDERS = (sources, stale, repeated, spikes, clock, gaps, kept_out, night)


def look(arrived: Arrived) -> Quality:
    """Return what is the matter with the readings, the most energy first, then the most values."""
    found = [finding for finder in FINDERS for finding in finder.find(arrived)]
    due = int(arrived.due.sum())
    return Quality(
        start=arrived.moment(0),
        end=arrived.moment(len(arrived.day)),
        heard_share=float((arrived.due & arrived.heard).sum() / due) if due else 1.0,
        findings=tuple(sorted(found, key=lambda f: (f.energy_share, f.share), reverse=True)),
    )
