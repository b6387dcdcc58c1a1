"""The values that the causes' sentences are made of."""

from __future__ import annotations

from collections.abc import Iterable

from service.verify.sentence import Quantity


def energy(wh: float) -> Quantity:
    """Return an energy, said with a sensible unit: '430 Wh', '2.4 kWh'."""
    return Quantity("energy", float(wh))


def percent(share: float) -> Quantity:
    """Return a share, said as per cent: '34 %', '2.1 %'."""
    return Quantity("share", float(share))


def duration(minutes: float) -> Quantity:
    """Return a duration: '25 min', '3.5 h'."""
    return Quantity("duration", float(minutes))


def number(value: float, decimals: int = 0) -> Quantity:
    """Return a number with so many decimals."""
    return Quantity("number", float(value), f".{decimals}f")


def plain(value: float) -> Quantity:
    """Return a number with the decimals that it has: '0.001', '3600'."""
    return Quantity("number", float(value), "g")


def lateness(minutes: float) -> Quantity:
    """Return how many minutes late, early where below zero: '60 min late'."""
    return Quantity("lateness", float(minutes))


def azimuths(spans: Iterable[tuple[float, float]]) -> Quantity:
    """Return azimuths from and to, degrees: '150 to 170 and 200 to 220'."""
    return Quantity("azimuths", tuple(float(side) for span in spans for side in span))
