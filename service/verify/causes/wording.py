"""Small pieces of sentences that several causes share."""

from __future__ import annotations


def energy(wh: float) -> str:
    """Return an energy with a sensible unit: '430 Wh', '2.4 kWh'."""
    return f"{wh / 1000:.1f} kWh" if wh >= 1000 else f"{wh:.0f} Wh"


def percent(share: float) -> str:
    """Return a share as per cent: '34 %', '2.1 %'."""
    pct = 100 * share
    return f"{pct:.1f} %" if pct < 10 else f"{pct:.0f} %"


def duration(minutes: float) -> str:
    """Return a duration: '25 min', '3.5 h'."""
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.1f} h"
