"""Geometry of the small drawings: a day's course as SVG paths, an index with its band as positions on one scale.

Pure arithmetic from numbers to coordinates. Colours, patterns and words belong to the templates and style sheets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.report.days import Profile

Values = NDArray[np.floating]

CELL_WIDTH, CELL_HEIGHT, CELL_MARGIN = 96, 60, 3
SCALE_WIDTH = 160
SCALE_LOW, SCALE_HIGH = 0.6, 1.15
SCALE_TICKS = (0.6, 0.8, 1.0)
"""Ends and marked values of the scale of performance indices; what lies beyond is drawn as an arrow."""


@dataclass(frozen=True)
class Frame:
    """The rectangle that a course is drawn into, and the minutes and watts that its edges stand for."""

    left: float
    top: float
    width: float
    height: float
    first_min: int
    last_min: int
    peak_w: float

    def x(self, minutes: Values) -> Values:
        """Return positions across."""
        share = (minutes - self.first_min) / (self.last_min - self.first_min)
        return np.asarray(self.left + self.width * np.clip(share, 0, 1))

    def y(self, power_w: Values) -> Values:
        """Return positions down."""
        return np.asarray(self.top + self.height * (1 - np.clip(power_w / self.peak_w, 0, 1)))

    @property
    def bottom(self) -> float:
        """Return where no power is."""
        return self.top + self.height


@dataclass(frozen=True)
class Course:
    """A day's course as path data.

    `made` is a closed area, `due` an open line and `due_area` what lies under it, `unheard` a piece of the base line.
    """

    made: str
    due: str
    due_area: str
    unheard: str


@dataclass(frozen=True)
class Dot:
    """A performance index on the common scale; `beyond` is 'below', 'above' or empty."""

    x: float
    low: float
    high: float
    beyond: str


def cell_frame(light: tuple[int, int], peak_w: float) -> Frame:
    """Return the frame of a unit's cell on the plan."""
    inner_width, inner_height = CELL_WIDTH - 2 * CELL_MARGIN, CELL_HEIGHT - 2 * CELL_MARGIN
    return Frame(CELL_MARGIN, CELL_MARGIN, inner_width, inner_height, *light, max(peak_w, 1.0))


def course(profile: Profile, frame: Frame) -> Course:
    """Return the paths of a day's course, as steps' means at the middle of each step."""
    middle = (np.arange(len(profile.expected_w)) + 0.5) * profile.step_min
    lit = (middle > frame.first_min) & (middle < frame.last_min)
    x = frame.x(middle[lit])
    made, due = profile.measured_w[lit], profile.expected_w[lit]
    half = frame.width * profile.step_min / (frame.last_min - frame.first_min) / 2
    heard, known = (_curves(x, frame.y(power), half) for power in (made, due))
    silent = _pieces(np.isnan(made) & (due > 0))
    return Course(
        made="".join(_area(*curve, frame.bottom) for curve in heard),
        due="".join(_line(*curve) for curve in known),
        due_area="".join(_area(*curve, frame.bottom) for curve in known),
        unheard="".join(_base(x[a] - half, x[b - 1] + half, frame) for a, b in silent),
    )


def dot(index: float | None, low: float | None, high: float | None) -> Dot | None:
    """Return where an index and its band lie on the common scale; None without an index."""
    if index is None:
        return None
    band = (index if low is None else low, index if high is None else high)
    beyond = "below" if index < SCALE_LOW else "above" if index > SCALE_HIGH else ""
    return Dot(scale_x(index), scale_x(band[0]), scale_x(band[1]), beyond)


def scale_x(index: float) -> float:
    """Return the position of an index on the common scale, kept within its ends."""
    share = (min(max(index, SCALE_LOW), SCALE_HIGH) - SCALE_LOW) / (SCALE_HIGH - SCALE_LOW)
    return round(SCALE_WIDTH * share, 1)


def ticks(peak: float) -> list[float]:
    """Return round values from 0 to at most `peak`, three or four of them."""
    if peak <= 0 or not math.isfinite(peak):
        return [0.0]
    power = 10.0 ** math.floor(math.log10(peak))
    step = next(s * power / 10 for s in (2, 2.5, 5, 10, 20, 25, 50) if peak / (s * power / 10) < 4)
    return [step * i for i in range(int(peak / step + 1e-9) + 1)]


def _pieces(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _curves(x: Values, y: Values, half: float) -> list[tuple[Values, Values]]:
    """Return the points of each piece without a gap; a step alone is as wide as it lasts."""
    return [
        (x[a:b], y[a:b]) if b - a > 1 else (x[a] + np.array([-half, half]), y[[a, a]])
        for a, b in _pieces(np.isfinite(y))
    ]


def _line(x: Values, y: Values) -> str:
    return "M" + " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def _area(x: Values, y: Values, bottom: float) -> str:
    return f"{_line(x, y)} {x[-1]:.1f},{bottom:.1f} {x[0]:.1f},{bottom:.1f}Z"


def _base(left: float, right: float, frame: Frame) -> str:
    ends = max(left, frame.left), min(right, frame.left + frame.width)
    return f"M{ends[0]:.1f},{frame.bottom:.1f}H{ends[1]:.1f}"
