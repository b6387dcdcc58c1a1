"""The sun's paths over a year and what stands before them, as SVG text and as numbers.

A plain plot of elevation over azimuth. Pure functions from numbers to text, like `charts`: no script, no style sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from itertools import groupby
from typing import Any, Literal

import numpy as np

from service.report import words
from service.report.charts import DARK, LETTER_PX, LIGHT, Ink
from service.report.language import gettext, marked, pgettext, pmarked
from service.report.marks import Values

BIN_DEG = 5.0
"""Width of the azimuths that an outline is told in."""

COMPASS = (
    marked("north"),
    marked("north-east"),
    marked("east"),
    marked("south-east"),
    marked("south"),
    marked("south-west"),
    marked("west"),
    marked("north-west"),
)
SHORT_COMPASS = (
    pmarked("compass", "N"),
    pmarked("compass", "NE"),
    pmarked("compass", "E"),
    pmarked("compass", "SE"),
    pmarked("compass", "S"),
    pmarked("compass", "SW"),
    pmarked("compass", "W"),
    pmarked("compass", "NW"),
)
PAPER = {"light": "#fbf8ef", "dark": "#14172a"}
"""The page's own ground, for a rim around words that lie on lines."""

LINE_PX = 18
"""From one line of the legend to the next."""

JUMP_DEG = 40.0
"""From one ten minutes to the next the sun turns this far only where a path leaves the plot on one side and comes
back on the other, or close to the zenith."""

Weight = Literal["main", "month", "seen"]


@dataclass(frozen=True)
class SunPath:
    """The sun on one day: its name, azimuths and elevations in degrees, and how it is drawn."""

    name: str
    azimuth_deg: Values
    elevation_deg: Values
    weight: Weight


@dataclass(frozen=True)
class Top:
    """How high the obstacle reaches at one azimuth, degrees; `at_least_deg` is 0 where it is a guess."""

    azimuth_deg: float
    elevation_deg: float
    at_least_deg: float
    known: bool

    @property
    def is_seen(self) -> bool:
        """Return whether the sun was seen hidden there."""
        return self.at_least_deg > 0


@dataclass(frozen=True)
class Plot:
    """Where degrees lie in the drawing, px; azimuths are counted from `centre_deg`, the side of the noon sun."""

    left: float
    top: float
    width: float
    height: float
    centre_deg: float
    half_deg: float
    highest_deg: float

    def turn(self, azimuth_deg: Values) -> Values:
        """Return azimuths as turns from the centre, -180 to 180."""
        return np.asarray((azimuth_deg - self.centre_deg + 180) % 360 - 180)

    def x(self, turn_deg: Values | float) -> Values:
        """Return positions across."""
        return np.asarray(self.left + self.width * (np.asarray(turn_deg) / self.half_deg + 1) / 2)

    def y(self, elevation_deg: Values | float) -> Values:
        """Return positions down."""
        return np.asarray(self.top + self.height * (1 - np.asarray(elevation_deg) / self.highest_deg))

    @property
    def bottom(self) -> float:
        """Return where the horizon lies."""
        return self.top + self.height


def tops(outline: Iterable[Mapping[str, Any]]) -> list[Top]:
    """Return a finding's outline as drawn; empty where it has none."""
    return [
        Top(
            float(point["azimuth_deg"]),
            float(point["elevation_deg"]),
            float(point.get("at_least_deg", 0.0)),
            bool(point["known"]),
        )
        for point in outline
    ]


def compass(azimuth_deg: float) -> str:
    """Return the direction of the eight that lies nearest: 'south-east'."""
    return gettext(COMPASS[eighth(azimuth_deg)])


def eighth(azimuth_deg: float) -> int:
    """Return which of the eight directions lies nearest, from 0 in the north clockwise."""
    return round(azimuth_deg % 360 / 45) % 8


def size(*, narrow: bool = False) -> tuple[int, int]:
    """Return the drawing's width and height, px."""
    return (358, 330) if narrow else (1040, 470)


def sun_chart(
    paths: list[SunPath],
    outline: list[Top],
    *,
    northern: bool,
    title: str,
    narrow: bool = False,
    dark: bool = False,
) -> str:
    """Return the plot: the sun's paths as lines, the obstacle as a pattern, its top solid where it was seen."""
    ink, paper = (DARK, PAPER["dark"]) if dark else (LIGHT, PAPER["light"])
    legend, lines = _legend(ink, size(narrow=narrow)[0])
    plot = _plot(paths, outline, northern=northern, narrow=narrow, lines=lines)
    named = ("main",) if narrow else ("main", "month")
    parts = [
        legend,
        _axes(plot, ink, narrow=narrow),
        "".join(_obstacle(run, plot) for run in _runs(outline, plot)),
        "".join(_path(path, plot, ink) for path in paths),
        "".join(_edges(run, plot, ink) for run in _runs(outline, plot)),
        "".join(_name(path, plot, ink, paper) for path in paths if path.weight in named),
        _height(outline, plot, ink, paper),
    ]
    return _document("".join(parts), size(narrow=narrow), ink, title)


def _plot(paths: list[SunPath], outline: list[Top], *, northern: bool, narrow: bool, lines: int) -> Plot:
    width, height = size(narrow=narrow)
    left, foot = (34, 44) if narrow else (48, 48)
    top = 28 + LINE_PX * lines
    plot = Plot(left, top, width - left - 10, height - top - foot, 180.0 if northern else 0.0, 180.0, 90.0)
    turns = [np.abs(plot.turn(p.azimuth_deg[p.elevation_deg > 0])).max(initial=0.0) for p in paths]
    turns += [abs(float(plot.turn(np.array(t.azimuth_deg)))) + BIN_DEG / 2 for t in outline]
    heights = [float(p.elevation_deg.max(initial=0.0)) for p in paths] + [t.elevation_deg for t in outline]
    half = min(15 * np.ceil(max([45.0, *map(float, turns)]) / 15), 180.0)
    highest = min(10 * np.ceil((max([20.0, *heights]) + 4) / 10), 90.0)
    return Plot(left, top, plot.width, plot.height, plot.centre_deg, float(half), float(highest))


def _axes(plot: Plot, ink: Ink, *, narrow: bool) -> str:
    parts = []
    for elevation in range(0, int(plot.highest_deg) + 1, 10):
        y = float(plot.y(elevation))
        parts.append(f'<path d="M{plot.left:.1f},{y:.1f}h{plot.width:.1f}" stroke="{ink.rule}"/>')
        if elevation % 20 == 0:
            parts.append(_text(plot.left - 5, y + 4, f"{elevation}\u00b0", "end", ink))
    for turn in range(-180, 181, 15):
        if abs(turn) <= plot.half_deg:
            parts.append(_azimuth_mark(turn, plot, ink, narrow=narrow))
    parts.append(
        _text(plot.left, plot.top - 8, gettext("elevation of the sun above the horizon"), "start", ink)
    )
    return "".join(parts)


def _azimuth_mark(turn: int, plot: Plot, ink: Ink, *, narrow: bool) -> str:
    x, azimuth = float(plot.x(turn)), int(plot.centre_deg + turn) % 360
    tick = f'<path d="M{x:.1f},{plot.bottom:.1f}v{7 if azimuth % 45 == 0 else 4}" stroke="{ink.quiet}"/>'
    if azimuth % 45:
        return tick
    word = pgettext("compass", SHORT_COMPASS[azimuth // 45]) if narrow else compass(azimuth)
    anchor = "end" if x > plot.left + plot.width - 30 else "middle"
    degrees = _text(x, plot.bottom + 20, f"{azimuth}\u00b0", anchor, ink)
    return tick + degrees + _text(x, plot.bottom + 34, word, anchor, ink)


def _path(path: SunPath, plot: Plot, ink: Ink) -> str:
    colour, width = {"main": (ink.due, 1.6), "month": (ink.quiet, 0.8), "seen": (ink.made, 4)}[path.weight]
    up = path.elevation_deg > 0
    turn = plot.turn(path.azimuth_deg[up])
    x, y = plot.x(turn), plot.y(path.elevation_deg[up])
    order = np.argsort(turn) if not (np.abs(np.diff(turn)) > JUMP_DEG).any() else np.arange(len(turn))
    pieces = np.split(order, np.flatnonzero(np.abs(np.diff(turn[order])) > JUMP_DEG) + 1)
    lines = ["M" + " ".join(f"{x[i]:.1f},{y[i]:.1f}" for i in piece) for piece in pieces if len(piece) > 1]
    return f'<path d="{"".join(lines)}" fill="none" stroke="{colour}" stroke-width="{width}" stroke-linejoin="round"/>'


def _name(path: SunPath, plot: Plot, ink: Ink, paper: str) -> str:
    """Return a path's name over its highest point, where that leaves room."""
    if not (path.elevation_deg > 0).any():
        return ""
    at = int(path.elevation_deg.argmax())
    turn = float(plot.turn(path.azimuth_deg[at : at + 1])[0])
    x = min(max(float(plot.x(turn)), plot.left + 40), plot.left + plot.width - 40)
    y = max(float(plot.y(path.elevation_deg[at])) - 3, plot.top + 10)
    return _rimmed(x, y, path.name, ink.text if path.weight == "main" else ink.quiet, paper, bold=False)


def _runs(outline: list[Top], plot: Plot) -> list[list[tuple[float, Top]]]:
    """Return neighbouring azimuths together, each with its turn from the centre, from left to right."""
    placed = sorted(
        ((float(plot.turn(np.array(t.azimuth_deg))), t) for t in outline), key=lambda item: item[0]
    )
    runs: list[list[tuple[float, Top]]] = []
    for turn, top in placed:
        if runs and turn - runs[-1][-1][0] < 1.5 * BIN_DEG:
            runs[-1].append((turn, top))
        else:
            runs.append([(turn, top)])
    return runs


def _obstacle(run: list[tuple[float, Top]], plot: Plot) -> str:
    """Return the part in which the sun was seen hidden, filled with the pattern, and what is below it."""
    parts = []
    for turn, top in run:
        if top.is_seen:
            left, right = (float(plot.x(turn + side * BIN_DEG / 2)) for side in (-1, 1))
            y = float(plot.y(min(top.at_least_deg, top.elevation_deg)))
            parts.append(f"M{left:.1f},{plot.bottom:.1f}V{y:.1f}H{right:.1f}V{plot.bottom:.1f}Z")
    return f'<path d="{"".join(parts)}" fill="url(#obstacle)"/>' if parts else ""


def _edges(run: list[tuple[float, Top]], plot: Plot, ink: Ink) -> str:
    """Return the run's outline in steps: solid where its top was seen, dashed where it is a lower bound or a guess."""
    lines = {True: "", False: ""}
    for known, group in groupby(run, key=lambda item: item[1].known):
        steps = list(group)
        start = float(plot.x(steps[0][0] - BIN_DEG / 2))
        points = "".join(
            f"V{float(plot.y(top.elevation_deg)):.1f}H{float(plot.x(turn + BIN_DEG / 2)):.1f}"
            for turn, top in steps
        )
        first = float(plot.y(steps[0][1].elevation_deg))
        lines[known] += f"M{start:.1f},{first:.1f}{points}"
    sides = ((run[0][0] - BIN_DEG / 2, run[0][1]), (run[-1][0] + BIN_DEG / 2, run[-1][1]))
    for turn, top in sides:
        lines[False] += f"M{float(plot.x(turn)):.1f},{float(plot.y(top.elevation_deg)):.1f}V{plot.bottom:.1f}"
    return "".join(_edge(lines[known], ink, known=known) for known in (True, False) if lines[known])


def _edge(path: str, ink: Ink, *, known: bool) -> str:
    style = 'stroke-width="4"' if known else 'stroke-width="2" stroke-dasharray="6 4"'
    return f'<path d="{path}" fill="none" stroke="{ink.mark}" {style}/>'


def _height(outline: list[Top], plot: Plot, ink: Ink, paper: str) -> str:
    """Return the obstacle's label: how high it was seen to reach."""
    seen = [t for t in outline if t.is_seen]
    if not seen:
        return ""
    turns = plot.turn(np.array([t.azimuth_deg for t in seen]))
    x = min(max(float(plot.x(turns.mean())), plot.left + 64), plot.left + plot.width - 64)
    return _rimmed(x, plot.bottom - 9, height_words(outline), ink.mark, paper, bold=True)


def height_words(outline: list[Top]) -> str:
    """Return how high the obstacle reaches: 'reaches 34 degrees', 'at least 17 degrees high'."""
    seen = [t for t in outline if t.is_seen]
    highest = max(seen, key=lambda t: (t.elevation_deg, t.at_least_deg))
    if highest.known:
        return gettext("reaches %(height)s") % {"height": words.angle(round(highest.elevation_deg))}
    return gettext("reaches at least %(height)s") % {"height": words.angle(round(highest.at_least_deg))}


def _text(x: float, y: float, text: str, anchor: str, ink: Ink) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="11.5" fill="{ink.quiet}">{text}</text>'


def _rimmed(x: float, y: float, text: str, colour: str, paper: str, *, bold: bool) -> str:
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" font-size="{12.5 if bold else 11.5}" fill="{colour}" '
        f'stroke="{paper}" stroke-width="4" stroke-linejoin="round" paint-order="stroke"{weight}>{escape(text)}</text>'
    )


def _keys(ink: Ink) -> list[tuple[str, str]]:
    return [
        (f'<path d="M0,14h20" stroke="{ink.due}" stroke-width="1.6"/>', gettext("sun\u2019s path")),
        (f'<path d="M0,14h20" stroke="{ink.made}" stroke-width="4"/>', gettext("in the window")),
        ('<path d="M0,20v-12h20v12z" fill="url(#obstacle)"/>', gettext("hides the sun")),
        (f'<path d="M0,14h20" stroke="{ink.mark}" stroke-width="4"/>', gettext("top seen")),
        (
            f'<path d="M0,14h20" stroke="{ink.mark}" stroke-width="2" stroke-dasharray="6 4"/>',
            gettext("not seen: at least, or a guess"),
        ),
    ]


def _legend(ink: Ink, width: int) -> tuple[str, int]:
    """Return what the marks mean, in as many lines as its words take, and how many these are."""
    parts, x, row = [], 4, 0
    for key, text in _keys(ink):
        words_px = round(LETTER_PX * len(text))
        if x + 25 + words_px > width:
            x, row = 4, row + 1
        words_beside = f'<text x="25" y="18" font-size="11">{escape(text)}</text>'
        parts.append(f'<g transform="translate({x} {LINE_PX * row})">{key}{words_beside}</g>')
        x += 36 + words_px
    return "".join(parts), row + 1


def _document(parts: str, sides: tuple[int, int], ink: Ink, title: str) -> str:
    width, height = sides
    pattern = (
        '<defs><pattern id="obstacle" width="7" height="7" patternUnits="userSpaceOnUse">'
        f'<path d="M0,0l7,7M7,0l-7,7" stroke="{ink.mark}" stroke-width="0.9" fill="none"/></pattern></defs>'
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="system-ui, sans-serif" '
        f'font-size="12" fill="{ink.text}"><title>{escape(title)}</title>'
        f"{pattern}{parts}</svg>"
    )
