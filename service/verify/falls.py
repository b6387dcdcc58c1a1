"""How often a level falls and comes back: what stands before the sun makes it fall once, two of it twice."""

from __future__ import annotations

from service.verify.inputs import FloatArray


def falls(level: FloatArray, least: float, *, before: float = 1.0) -> int:
    """Return how often a level (D,), 1 for whole, falls by `least` from where it was, and comes back by as much.

    `before` is where it was at first.
    """
    times, falling, top, bottom = 0, False, before, before
    for value in level.clip(max=1.0):
        if falling and value > bottom + least:
            falling, top = False, value
        elif not falling and value < top - least:
            falling, bottom, times = True, value, times + 1
        top, bottom = max(top, value), min(bottom, value)
    return times
