"""A small roof with hand-made days, for the tests of the jobs. Not for tests of judgement."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine, update

from service.store import readings, sites
from service.store.database import writing
from service.store.readings import Samples
from service.store.tables import VerificationRow

START = datetime(2026, 6, 1, tzinfo=UTC)


def record() -> dict[str, Any]:
    """Return the record of three units on one plane in northern England."""
    unit = {"plane": "south", "module_type": "m", "inverter_type": "i"}
    return {
        "name": "Mill Lane 4",
        "latitude": 53.8,
        "longitude": -1.55,
        "timezone": "Europe/London",
        "planes": [{"name": "south", "tilt_deg": 35, "azimuth_deg": 170}],
        "module_types": [{"name": "m", "pmax_w": 400}],
        "inverter_types": [{"name": "i", "ac_rated_w": 350}],
        "units": [{"serial": s, **unit} for s in ("101", "102", "103")],
    }


def bell(days: int = 2, interval_min: int = 15) -> NDArray[np.float64]:
    """Return energies of sunny days without physics: a half sine from 6 to 18 h UTC, 300 W at its top."""
    hours = (np.arange(days * 1440 // interval_min) * interval_min / 60) % 24
    power = 300 * np.clip(np.sin((hours - 6) / 12 * np.pi), 0, None)
    return np.asarray(power * interval_min / 60)


def samples(
    serial: str,
    values: NDArray[np.float64],
    *,
    interval_min: int = 15,
    start: datetime = START,
    channel: str = "energy_wh",
) -> Samples:
    """Return samples on a grid from `start` on."""
    starts = int(start.timestamp()) + np.arange(values.size, dtype=np.int64) * interval_min * 60
    return Samples(serial, channel, interval_min, starts, values)


def send(engine: Engine, site_id: str, *sent: Samples) -> None:
    """Keep readings as the API does: with the site's version raised in the same unit of work."""
    with writing(engine) as session:
        readings.write(session, site_id, sent)
        sites.touch(session, site_id)


def of_other_code(engine: Engine) -> None:
    """Mark all verifications that are kept as made by another version of the code."""
    with writing(engine) as session:
        session.execute(update(VerificationRow).values(made_by="other code"))


def new_site(engine: Engine, **changes: Any) -> str:
    """Return the id of a new site with that record, changed as given."""
    with writing(engine) as session:
        return sites.create(session, {**record(), **changes}).id


def heard_site(engine: Engine) -> str:
    """Return the id of a new site with two days of readings; its unit 103 makes half."""
    site_id = new_site(engine)
    send(engine, site_id, samples("101", bell()), samples("102", bell()), samples("103", bell() / 2))
    return site_id
