"""What a shaded unit's page shows of the sun: its paths over the year and the obstacle before them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from service.expect.site import Site
from service.expect.year import sun_paths
from service.report import sunpaths, words
from service.report.language import gettext as _
from service.report.sunpaths import SunPath, Top, Weight
from service.verify.result import Finding, Verification
from service.web.pages.addresses import path_segment
from service.web.pages.lookup import Shown

PATHS: tuple[tuple[tuple[int, ...], Weight], ...] = (
    ((354,), "main"),
    ((20, 325), "month"),
    ((50, 294), "month"),
    ((78, 265), "main"),
    ((109, 233), "month"),
    ((140, 203), "month"),
    ((171,), "main"),
)
"""Days of a common year from 0, the second one that on which the sun goes the same way."""

COMMON_YEAR = date(2001, 1, 1)

SEEN: Weight = "seen"
HALF_BIN_DEG = sunpaths.BIN_DEG / 2


@dataclass(frozen=True)
class TopLine:
    """One azimuth of the outline as a row of a table."""

    azimuth: str
    direction: str
    top: str
    how: str


@dataclass(frozen=True)
class SunView:
    """The chart's address, sizes and words, with the fields of a `Chart`, and its numbers."""

    path: str
    version: str
    alt: str
    wide: tuple[int, int]
    narrow: tuple[int, int]
    lines: list[TopLine]


def shade_of(found: Verification, serial: str) -> Finding | None:
    """Return the finding that holds the outline of what shades the unit."""
    return next((f for f in found.findings if serial in f.serials and f.details.get("outline")), None)


def sun_view(site: Shown, finding: Finding, serial: str) -> SunView:
    """Return what the page shows of the obstacle that `finding` has found before the unit."""
    outline = sunpaths.tops(finding.details["outline"])
    return SunView(
        path=f"{site.href}/chart/sun/{path_segment(serial)}.svg",
        version=site.version,
        alt=_alt(outline),
        wide=sunpaths.size(),
        narrow=sunpaths.size(narrow=True),
        lines=[_line(top) for top in outline],
    )


def draw(site: Site, found: Verification, finding: Finding, *, title: str, narrow: bool, dark: bool) -> str:
    """Return the chart's SVG."""
    return sunpaths.sun_chart(
        paths(site, found),
        sunpaths.tops(finding.details["outline"]),
        northern=site.latitude >= 0,
        title=title,
        narrow=narrow,
        dark=dark,
    )


def paths(site: Site, found: Verification) -> list[SunPath]:
    """Return the sun's paths of the year, and that of the window's middle day, drawn first."""
    middle = (found.start + (found.end - found.start) / 2).timetuple().tm_yday
    named = ((days[0], _dates(days), weight) for days, weight in PATHS)
    drawn = ((min(middle, 365) - 1, _("in the window"), SEEN), *named)
    azimuth, elevation = sun_paths(site, np.array([day for day, _name, _weight in drawn]))
    return [SunPath(name, azimuth[k], elevation[k], weight) for k, (_day, name, weight) in enumerate(drawn)]


def _dates(days: tuple[int, ...]) -> str:
    said = (words.day_of_month(COMMON_YEAR + timedelta(days=day)) for day in days)
    return ", ".join(said).replace(words.NBSP, " ")


def _alt(outline: list[Top]) -> str:
    seen = [top for top in outline if top.is_seen]
    turns = sorted({sunpaths.eighth(top.azimuth_deg) for top in seen})
    text = _(
        "The sun\u2019s paths over the year by azimuth and elevation, and what stands before them in the "
        "%(directions)s: it %(reaches)s."
    )
    directions = words.listed(sunpaths.compass(45 * turn) for turn in turns)
    return text % {"directions": directions, "reaches": sunpaths.height_words(outline)}


def _line(top: Top) -> TopLine:
    first, last = (round(top.azimuth_deg + side) % 360 for side in (-HALF_BIN_DEG, HALF_BIN_DEG))
    how = _("seen") if top.known else _("at least") if top.is_seen else _("guessed")
    height = top.elevation_deg if top.known or not top.is_seen else top.at_least_deg
    return TopLine(
        words.between(words.angle(first), words.angle(last)),
        sunpaths.compass(top.azimuth_deg),
        words.angle(round(height)),
        how,
    )
