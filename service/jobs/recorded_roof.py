"""What physics says of a recorded roof to the reader of exported files, which knows none. Works nothing out unasked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from service.expect.energy import expected_energy
from service.expect.grid import Grid
from service.expect.site import Site
from service.jobs.assemble import site_from_record
from service.store.grids import FloatArray, moment
from service.verify.inputs import Readings
from service.verify.interval_end import ShownEnd, shown_end


class RecordedRoof:
    """A `service.intake.export.model.Roof`."""

    def __init__(self, record: Mapping[str, Any]) -> None:
        self._record = record

    @cached_property
    def _site(self) -> Site:
        return site_from_record(self._record)

    @cached_property
    def _flat(self) -> Site:
        return replace(self._site, planes=tuple(replace(p, tilt_deg=0.0) for p in self._site.planes))

    def clear_wh(
        self, start: int, interval_min: int, count: int, *, laid_flat: bool = False
    ) -> Mapping[str, FloatArray]:
        """Return by serial what each unit gives under a clear sky in each interval, Wh."""
        site = self._flat if laid_flat else self._site
        expected = expected_energy(site, Grid(moment(start), interval_min, count)).energy_wh
        return dict(zip((u.serial for u in site.units), expected, strict=True))

    def shown_end(
        self, start: int, interval_min: int, energy_wh: Mapping[str, FloatArray]
    ) -> ShownEnd | None:
        """Return which end of their intervals the times are by the light, None where it leaves that open."""
        count = max(map(len, energy_wh.values()), default=0)
        nothing = np.full(count, np.nan)
        energies = np.array([energy_wh.get(u.serial, nothing) for u in self._site.units])
        if not count or not energies.size:
            return None
        return shown_end(self._site, Readings(moment(start), interval_min, energies))
