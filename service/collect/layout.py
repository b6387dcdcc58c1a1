"""How a source's samples are to be laid into intervals."""

from __future__ import annotations

from dataclasses import dataclass

from service.intake.live.intervals import GAP_SHARE

POLLS_MISSED = 2.5
"""Power runs straight over so many polls of which the ones between failed."""


@dataclass(frozen=True)
class Layout:
    """A source's intervals, what an energy's time names, and the longest gap over which power runs straight."""

    interval_min: int
    label: str = "start"
    gap_min: float | None = None


def polled(interval_min: int, every_s: float, label: str = "start") -> Layout:
    """Return the layout of a source that is asked again and again."""
    return Layout(interval_min, label, max(GAP_SHARE * interval_min, POLLS_MISSED * every_s / 60))
