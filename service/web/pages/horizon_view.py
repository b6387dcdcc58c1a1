"""What the page of the far horizon shows: its picture and its numbers beside the lines on record. Pure functions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.expect.year import sun_paths
from service.fetch.services import SERVICES
from service.jobs.assemble import site_from_record
from service.jobs.far_horizon import Points, line_of
from service.report import sunpaths, words
from service.report.language import gettext as _

STEP_DEG = 15
"""Between the azimuths of the table."""

LEAST_TOP_DEG = 30.0
SHORTEST_DAY, LONGEST_DAY = 354, 171
WIDTH, HEIGHT = 720, 200
"""Of the picture, px: two a degree of azimuth."""


@dataclass(frozen=True)
class Line:
    """One direction: the far horizon and the planes' lines there, in words."""

    direction: str
    far: str
    planes: list[str]


@dataclass(frozen=True)
class HorizonView:
    """The planes by name; with a far horizon its points as a field's value, its picture and its numbers."""

    planes: list[str]
    place: str
    credit: str
    points: str = ""
    highest: str = ""
    far: str = ""
    recorded: tuple[str, ...] = ()
    suns: tuple[str, ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    lines: tuple[Line, ...] = ()
    size: tuple[int, int] = (WIDTH, HEIGHT)


def horizon_view(record: Mapping[str, Any], far: Points) -> HorizonView:
    """Return what there is to show of a record's planes and of a far horizon, if one was asked for."""
    names = [plane["name"] for plane in record["planes"]]
    place = f"{record['latitude']:.4f}, {record['longitude']:.4f}"
    if not far:
        return HorizonView(names, place, SERVICES["pvgis"].credit)
    site = site_from_record(record)
    azimuths = np.arange(0.0, 361.0, 2.5)
    tops = line_of(far, azimuths)
    lines = [line_of(plane.horizon, azimuths) for plane in site.planes]
    paths = sun_paths(site, np.array([SHORTEST_DAY, LONGEST_DAY]))
    top_deg = max(LEAST_TOP_DEG, float(tops.max()) + 5, *(float(line.max()) + 5 for line in lines))
    turn = 180.0 if site.latitude < 0 else 0.0
    at = int(tops.argmax())
    highest = _("At its highest it reaches %(top)s, in the %(direction)s.")
    return HorizonView(
        names,
        place,
        SERVICES["pvgis"].credit,
        points=" ".join(f"{azimuth:g}:{top:g}" for azimuth, top in far),
        highest=highest % {"top": _degrees(tops[at]), "direction": sunpaths.compass(azimuths[at])},
        far=f"0,{HEIGHT} {_drawn(azimuths, tops, top_deg, turn)} {WIDTH},{HEIGHT}",
        recorded=tuple(_drawn(azimuths, line, top_deg, turn) for line in lines if line.max() > 0),
        suns=tuple(_drawn(*pair, top_deg, turn) for pair in zip(*paths, strict=True)),
        marks=tuple((2.0 * x, sunpaths.compass((x + turn) % 360)) for x in (90, 180, 270)),
        lines=tuple(_lines(far, [plane.horizon for plane in site.planes])),
    )


def _drawn(azimuths: Any, elevations: Any, top_deg: float, turn: float) -> str:
    """Return a line's points from left to right, the noon sun in the middle."""
    x = (azimuths + turn) % 360 if turn else azimuths
    y = HEIGHT * (1 - elevations / top_deg)  # the picture's edge cuts off what is higher
    order = np.argsort(x, kind="stable")
    shown = order[elevations[order] >= 0]
    return " ".join(f"{2 * x[i]:.1f},{y[i]:.1f}" for i in shown)


def _lines(far: Points, planes: Iterable[Points]) -> Iterable[Line]:
    azimuths = np.arange(0.0, 360.0, STEP_DEG)
    tops, lines = line_of(far, azimuths), [line_of(plane, azimuths) for plane in planes]
    for i, azimuth in enumerate(azimuths):
        name = f"{words.angle(int(azimuth))} {sunpaths.compass(azimuth) if azimuth % 45 == 0 else ''}"
        yield Line(name.strip(), _degrees(tops[i]), [_degrees(line[i]) for line in lines])


def _degrees(value: float) -> str:
    return f"{words.number(round(float(value), 1), 1)}°"
