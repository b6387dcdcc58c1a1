"""Further channels go from the store into the judgement and come out in a finding."""

from __future__ import annotations

import numpy as np
import pytest
from sqlalchemy import Engine

from service.jobs.verification import verify_site
from tests.jobs.roof import bell, new_site, samples, send


@pytest.mark.parametrize(("dead_v", "side"), [(0.3, "dc"), (39.0, "not_dc")])
def test_a_dead_units_dc_voltage_says_which_side(engine: Engine, dead_v: float, side: str) -> None:
    site_id = new_site(engine)
    lit = np.where(bell() > 0, 34.0, 0.0)
    send(engine, site_id, samples("101", bell()), samples("102", bell()), samples("103", 0 * bell()))
    volts = {"101": lit, "102": lit, "103": np.minimum(lit, 1) * dead_v}
    send(engine, site_id, *(samples(s, v, channel="dc_voltage_v") for s, v in volts.items()))
    found = verify_site(engine, site_id)
    assert found is not None
    (dead,) = [f for f in found.findings if f.cause == "no_output"]
    assert dead.serials == ("103",)
    assert dead.details["side"] == side


def test_a_channel_in_a_longer_interval_still_counts(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("101", bell()), samples("102", bell()), samples("103", 0 * bell()))
    for serial, volts in (("101", 34.0), ("102", 34.0), ("103", 0.0)):
        send(
            engine,
            site_id,
            samples(serial, np.full(48, volts), interval_min=60, channel="dc_voltage_v"),
        )
    found = verify_site(engine, site_id)
    assert found is not None
    assert [f.details["side"] for f in found.findings if f.cause == "no_output"] == ["dc"]
