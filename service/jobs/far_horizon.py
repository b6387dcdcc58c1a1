"""The far horizon of a site: asked of PVGIS when somebody asks, and laid over the lines on record. Keeps nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from service.expect.plane import LONE_OBSTACLE_HALF_WIDTH_DEG, horizon_elevation
from service.expect.site import Plane
from service.fetch.apart import fetch_horizon
from service.fetch.model import Question
from service.fetch.services import SERVICES
from service.intake.plan import Stored
from service.jobs.assemble import site_from_record

Points = Sequence[tuple[float, float]]
"""Azimuths clockwise from north and elevations, degrees, in the order of the azimuths."""


def ask_far_horizon(record: Mapping[str, Any]) -> Points:
    """Return the far horizon at a site's place; NoAnswer says why there is none."""
    place = (round(record["latitude"], 4), round(record["longitude"], 4))  # 10 m; the terrain is known to 90
    return fetch_horizon(Question("pvgis", SERVICES["pvgis"].url, *place))


def with_far_horizon(record: Mapping[str, Any], far: Points, names: Collection[str]) -> Stored:
    """Return the record with the planes' lines nowhere below the far one: what is near still stands before it."""
    planes = {plane.name: plane for plane in site_from_record(record).planes}
    return {
        **record,
        "planes": [
            {**plane, "horizon": _merged(planes[plane["name"]], far)} if plane["name"] in names else plane
            for plane in record["planes"]
        ],
    }


def line_of(points: Points, azimuth_deg: Any) -> Any:
    """Return a horizon's elevations at azimuths, degrees, as the physics reads them."""
    return horizon_elevation(
        Plane("line", 0.0, 0.0, horizon=tuple(points)), np.asarray(azimuth_deg, dtype=float)
    )


def _merged(plane: Plane, far: Points) -> list[dict[str, float]]:
    azimuths = sorted({round(a % 360, 1) for a, _ in far} | set(_corners(plane)))
    tops = np.maximum(line_of(plane.horizon, azimuths), line_of(far, azimuths))
    pairs = zip(azimuths, tops.round(1).tolist(), strict=True)
    return [{"azimuth_deg": azimuth, "elevation_deg": top} for azimuth, top in pairs]


def _corners(plane: Plane) -> list[float]:
    """Return the azimuths at which a plane's line bends; that of one point is an obstacle with two sides."""
    azimuths = [azimuth for azimuth, _ in plane.horizon]
    if len(azimuths) == 1:
        azimuths += [azimuths[0] + side * LONE_OBSTACLE_HALF_WIDTH_DEG for side in (-1, 1)]
    return [round(azimuth % 360, 1) for azimuth in azimuths]
