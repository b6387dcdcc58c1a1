"""All values of the site are off by one constant factor.

Reasoning: no sky lasts above three times the clear sky's energy, and no inverter passes its rating. Downwards, overcast
and snow go as far as a factor does. What they do not make is a clear day's even level, like units that are equally dim
below any overcast, or power all day long at which no inverter starts. A factor that a change of unit explains (kWh for
Wh, power for energy) is undone before anything else is judged, so that it accuses no unit. `factor` is sent over true:
0.001 where kWh came as Wh. Limits: see `verify/scale.py`.
"""

from __future__ import annotations

import numpy as np

from service.verify.case import Case, once
from service.verify.causes.wording import plain
from service.verify.result import Finding
from service.verify.scale import candidates, is_dim, low_clear_hours, site_brightness
from service.verify.sentence import sentence


@once
def may_be_too_low(case: Case) -> bool:
    """Return whether all values are so low that they may be of another unit of measure, and nothing decides."""
    day = case.day
    share = site_brightness(case.measured_wh, case.clear_wh, day.rated_wh)
    hours = low_clear_hours(share, day.positions, day.grid.interval_min)
    return hours is not None or is_dim(case.measured_wh, case.clear_wh, day.rated_wh)


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding for a site whose scale was undone."""
    if case.scale == 1.0:
        return []
    reason = candidates(case.day.grid.interval_min)[case.scale][1]
    lit = np.asarray(case.heard.any(axis=0) & case.light.any(axis=0))
    first, last = case.first_and_last(lit)
    return [
        Finding(
            cause="unit_scale",
            serials=(),
            confidence=0.97,
            evidence=sentence(
                "All values are %(factor)s times what this roof can make (as from %(reason)s); divided by %(factor)s "
                "they fit, and all figures here are computed so.",
                factor=plain(case.scale),
                reason=reason,
            ),
            advice=sentence(
                "Correct the unit of measure where the readings are exported, then send them again."
            ),
            first_seen=first,
            last_seen=last,
            lost_wh=0.0,
            details={"factor": case.scale},
        )
    ]
