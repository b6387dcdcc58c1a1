"""Light that no sky gives: an only plane that shows it by its record faces otherwise, or the labels are off.

Clouds, shadows and faults only take. What clouds add at their edges lasts for minutes, and brightens the diffuse light;
hours of more than a clear sky's beam come from where the record does not put the sun before the plane. Of several
planes each may be in light that the others hardly tell.
"""

from __future__ import annotations

import numpy as np

from service.verify.window import Light, Window

TOO_BRIGHT, BRIGHT_SKY = 1.2, 2.5
"""So many times a clear sky's beam and diffuse light on a plane no sky gives for longer than a cloud's bright edge
lasts. Nine in ten gaps between clouds had up to 2.2 times the clear sky's diffuse light (computed from Payerne's June
2016, Baseline Surface Radiation Network, `tests/fleet/data`)."""

EVEN_SKY = 2.0
"""Diffuse light over the model's, as far as two standard deviations, on a plane with its back to the sun: it has none
of what is around the sun, and models differ in how much that is. Hay and Davies's leaves 30 W/m2 under a high sun, an
even sky's 105 (a case of pvlib's own tests). So much more a sky with clouds gives such a plane than others."""

REFUTES, LEFT = 0.1, 0.05
"""Share of an only plane's light beyond what any sky gives from which its record or its clock is wrong, and what may
be left by another. Of 830 days of an only plane with a right record (`tests/bench/fleet`, `stranger`, `roofs`, tuning
days) none had more than 0.060, unless its values were of another unit of measure; of 42 wrong ones that had more 32
stood above the first, five of which nothing else told."""


def share_beyond(seen: Window, plane: int, light: Light) -> float:
    """Return the share of a plane's light, 0-1, that is beyond what any sky gives it by a description, (1, P, N)."""
    beam, diffuse = (part[0, plane] for part in light[:2])
    sky = BRIGHT_SKY * np.where(beam < diffuse, EVEN_SKY, 1.0)
    most = TOO_BRIGHT * beam + sky * diffuse
    told = seen.seen.light[plane]
    return float(np.maximum(told - most, 0.0).sum() / max(told.sum(), 1e-9))


def beyond_record(seen: Window) -> float:
    """Return the share of an only plane's light beyond what any sky gives by its record, 0 if sound ones reach it."""
    if len(seen.planes) > 1 or seen.sensed:
        return 0.0
    share = share_beyond(seen, 0, seen.by_record)
    return share if share >= REFUTES else 0.0


def refutes_record(seen: Window) -> bool:
    """Return whether a site's only plane has light by its record that no sky gives."""
    return beyond_record(seen) > 0


def allows(seen: Window, light: Light) -> bool:
    """Return whether a description, (1, P, N), leaves a site's only plane hardly any light that no sky gives."""
    return share_beyond(seen, 0, light) <= LEFT
