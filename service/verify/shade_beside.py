"""Shade on a plane that shows in the light of another plane which surely stands in shade.

Behind an object a plane gets the sky's light only, so that it tells how much of that there is. With it the beam on the
planes beside is what they make beyond the sky's light: an object before one plane leaves the others their sun, now and
then at least, while one before all of them leaves none of them any on the days on which the sun was seen to shine.
Which span is shaded is found elsewhere (`common_shade`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.verify.plane_beam import TELLING_BEAM, BoolArray, Ints, PlaneEnergies

LEAST_MINUTES, LEAST_DAYS = 60, 2
"""How long, and on how many days, the planes must be seen side by side."""

MOST_BEAM, REACHED = 0.3, 0.9
"""Share of a clear sky's beam that a plane behind the same object seems to have at most, and the quantile of its
intervals that counts. Of simulated weeks (`tests/bench/fleet`) planes beside a shaded one that were not had 0.46 or
more, nearly all 0.7 or more; planes in the same shade 0.2 at most."""


@dataclass(frozen=True)
class Beside:
    """The planes' energies, the groups of each by name, and the day of each interval, (D,)."""

    energies: PlaneEnergies
    day: Ints
    interval_min: int

    def also_shaded(self, plane: str, shaded: str, seen: BoolArray) -> bool:
        """Return whether `plane` has no beam either where `shaded` was `seen` (D,) without, on days with sun."""
        own, dark = self._largest(plane), self._largest(shaded)
        clear, hidden, agreed = self.energies.clear, self.energies.hidden, self.energies.agreed
        use = seen & self.energies.told[own] & np.isfinite(agreed[dark]) & (hidden[dark] > 0)
        use &= clear[own] - hidden[own] > TELLING_BEAM * clear[own]
        if use.sum() * self.interval_min < LEAST_MINUTES or len(np.unique(self.day[use])) < LEAST_DAYS:
            return False
        sky = agreed[dark, use] / hidden[dark, use] * hidden[own, use]
        beam = (agreed[own, use] - sky) / (clear[own, use] - hidden[own, use])
        return bool(np.quantile(beam, REACHED) < MOST_BEAM)

    def _largest(self, plane: str) -> int:
        """Return the plane's group with the most units."""
        groups = self.energies.day.groups
        rows = [g for g, group in enumerate(groups) if group.plane.name == plane]
        return max(rows, key=lambda g: len(groups[g].members))
