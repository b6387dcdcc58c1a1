"""The roof's plan as one drawing for a letter or a report: each cell its unit's mean day against what was expected.

Pure functions from places and courses to SVG text, like `charts`; where units sit was said by the caller.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from service.report.charts import DARK, LIGHT, Ink, hatch, legend
from service.report.marks import CELL_HEIGHT, CELL_WIDTH, Course
from service.report.sunpaths import PAPER

LEFT_PX, TOP_PX, HEAD_PX, GAP_PX = 30, 40, 54, 6
WORDS_PX = 36
LEAST_WIDTH = 358


@dataclass(frozen=True)
class Spot:
    """One unit: its row and column in the drawing from 0, the end of its serial, the first cause somebody sees to."""

    row: int
    column: int
    tail: str
    cause: str
    course: Course | None


@dataclass(frozen=True)
class Roof:
    """One roof plane: its rows and columns as they are numbered on the record, and its units."""

    name: str
    facing: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    spots: tuple[Spot, ...]

    @property
    def width(self) -> int:
        """Return how wide it is drawn, px."""
        return LEFT_PX + len(self.columns) * (CELL_WIDTH + GAP_PX)

    @property
    def height(self) -> int:
        """Return how high it is drawn with its heading, px."""
        return HEAD_PX + 8 + len(self.rows) * (CELL_HEIGHT + WORDS_PX + GAP_PX)


def plan_chart(roofs: Sequence[Roof], *, title: str, dark: bool = False) -> str:
    """Return the drawing, a plane below the other."""
    ink, paper = (DARK, PAPER["dark"]) if dark else (LIGHT, PAPER["light"])
    width, height = size(roofs)
    parts, top = [legend(ink, width)], TOP_PX
    for roof in roofs:
        parts.append(_roof(roof, top, ink, paper))
        top += roof.height
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="system-ui, sans-serif" '
        f'font-size="12" fill="{ink.text}"><title>{escape(title)}</title>{hatch(ink)}{"".join(parts)}</svg>'
    )


def size(roofs: Sequence[Roof]) -> tuple[int, int]:
    """Return the drawing's width and height, px."""
    return max(LEAST_WIDTH, *(roof.width for roof in roofs)), TOP_PX + sum(roof.height for roof in roofs) + 6


def _roof(roof: Roof, top: int, ink: Ink, paper: str) -> str:
    head = f'<text x="4" y="{top + 16}" font-weight="600">{escape(roof.name)}</text>'
    facing = f'<text x="4" y="{top + 31}" font-size="11" fill="{ink.quiet}">{escape(roof.facing)}</text>'
    numbers = [
        _quiet(_x(i) + CELL_WIDTH / 2, top + HEAD_PX - 2, number, ink)
        for i, number in enumerate(roof.columns)
    ]
    numbers += [_quiet(14, _y(i, top) + 36, number, ink) for i, number in enumerate(roof.rows)]
    return head + facing + "".join([*numbers, *(_spot(spot, top, ink, paper) for spot in roof.spots)])


def _spot(spot: Spot, top: int, ink: Ink, paper: str) -> str:
    edge, thick = (ink.mark, 2) if spot.cause else (ink.rule, 1)
    x, y = _x(spot.column), _y(spot.row, top)
    bold = f'font-size="11" font-weight="600" fill="{ink.mark}"'
    cause = f'<text x="5" y="{CELL_HEIGHT + 28}" {bold}>{escape(spot.cause)}</text>'
    return (
        f'<g transform="translate({x} {y})"><path d="M0 0h{CELL_WIDTH}v{CELL_HEIGHT + WORDS_PX - 2}h-{CELL_WIDTH}z" '
        f'fill="{paper}" stroke="{edge}" stroke-width="{thick}"/>{_course(spot, ink)}'
        f'<text x="5" y="{CELL_HEIGHT + 13}" font-size="11" fill="{ink.quiet}">{escape(spot.tail)}</text>'
        f"{cause if spot.cause else ''}</g>"
    )


def _course(spot: Spot, ink: Ink) -> str:
    drawn = spot.course
    if drawn is None:
        return ""
    missing = f'<path d="{drawn.due_area}" fill="url(#missing)"/>' if spot.cause else ""
    return (
        f'{missing}<path d="{drawn.made}" fill="{ink.made}"/>'
        f'<path d="{drawn.due}" fill="none" stroke="{ink.due}" stroke-width="1.4" stroke-linejoin="round"/>'
        f'<path d="{drawn.unheard}" stroke="{ink.mark}" stroke-width="4" stroke-dasharray="2 2"/>'
    )


def _x(column: int) -> int:
    return LEFT_PX + column * (CELL_WIDTH + GAP_PX)


def _y(row: int, top: int) -> int:
    return top + HEAD_PX + 4 + row * (CELL_HEIGHT + WORDS_PX + GAP_PX)


def _quiet(x: float, y: float, text: str, ink: Ink) -> str:
    return f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="middle" font-size="11" fill="{ink.quiet}">{escape(text)}</text>'
