"""How a source's samples are to be laid into intervals."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Layout:
    """A source's intervals, what an energy's time names, and the longest gap over which power runs straight."""

    interval_min: int
    label: str = "start"
    gap_min: float | None = None
