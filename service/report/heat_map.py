"""All units by time as one drawing: each cell an hour of one unit, darker the less was made of what was expected.

The scale is one of brightness, so that it is read in grey too; hours not heard carry a pattern, nights are left out.
Pure functions from `heat`'s cells to SVG text, like `charts`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby, pairwise

import numpy as np

from service.report import words
from service.report.charts import DARK, LETTER_PX, LIGHT, Ink
from service.report.heat import ABOVE, BLANK, BOUNDS, BRIGHT, UNHEARD, Cells, Steps
from service.report.language import gettext as _
from service.report.sunpaths import PAPER

SHADES = {
    "light": ("#f6e7bd", "#d5c5bf", "#b5a3be", "#8879ab", "#4f4886", "#201560"),
    "dark": ("#3d3621", "#554d53", "#6f6486", "#9286b3", "#beb6d8", "#ece8ff"),
}
"""From as expected to nothing, each step as far from the last in brightness, on light and on dark paper."""

SLOT_MIN, COARSE_MIN = 60, 180
FINE_DAYS = 4
"""Days up to which a narrow page has room for single hours."""

PLANE_PX = 22
LABEL_EVERY_PX = 13


@dataclass(frozen=True)
class RowLabel:
    """A unit as its row is labelled; `cause` is empty where nobody needs to look."""

    serial: str
    tail: str
    plane: str
    cause: str


@dataclass(frozen=True)
class Layout:
    """Where cells lie, px."""

    width: int
    left: int
    right: int
    top: int
    row: int
    days: int
    slots: int

    @property
    def cell(self) -> float:
        """Return a cell's width; days are a slot apart."""
        return (self.width - self.left - self.right) / (self.days * (self.slots + 1))

    def x(self, day: int, slot: float) -> float:
        """Return where a slot begins."""
        return self.left + (day * (self.slots + 1) + slot) * self.cell


def slot_for(days: int, *, narrow: bool) -> int:
    """Return how many minutes a cell holds, so that it can be seen on the page."""
    return COARSE_MIN if narrow and days > FINE_DAYS else SLOT_MIN


def heat_map(found: Cells, rows: Sequence[RowLabel], *, title: str, narrow: bool, dark: bool) -> str:
    """Return the drawing; `rows` label the units of `found`, those of a plane one after the other."""
    scheme = "dark" if dark else "light"
    ink, layout = DARK if dark else LIGHT, _layout(found, narrow=narrow)
    tops = _tops(rows, layout)
    parts = [
        _legend(ink, scheme, narrow=narrow),
        _day_names(found, layout, ink),
        _planes(rows, tops, layout),
        *_filled(found, tops, layout, scheme),
        *(_name(row, i, top, layout, ink) for i, (row, top) in enumerate(zip(rows, tops, strict=True))),
    ]
    width, height = size(rows, len(found.days), narrow=narrow)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="system-ui, sans-serif" '
        f'font-size="12" fill="{ink.text}"><title>{escape(title)}</title>{_patterns(ink, scheme)}{"".join(parts)}</svg>'
    )


def size(rows: Sequence[RowLabel], days: int, *, narrow: bool) -> tuple[int, int]:
    """Return the drawing's width and height, px."""
    layout = _sides(len(rows), days, 1, narrow=narrow)
    tops = _tops(rows, layout)
    return layout.width, (tops[-1] + layout.row if tops else layout.top) + 8


def _layout(found: Cells, *, narrow: bool) -> Layout:
    return _sides(len(found.serials), len(found.days), found.made_wh.shape[-1], narrow=narrow)


def _sides(units: int, days: int, slots: int, *, narrow: bool) -> Layout:
    row = 16 if units <= 40 else 9
    if narrow:
        return Layout(358, 58, 0, 104, row, max(days, 1), slots)
    return Layout(1040, 74, 96, 64, row, max(days, 1), slots)


def _tops(rows: Sequence[RowLabel], layout: Layout) -> list[int]:
    """Return where each row begins, a heading above the first of each plane."""
    tops, y = [], layout.top
    for i, row in enumerate(rows):
        if i == 0 or row.plane != rows[i - 1].plane:
            y += PLANE_PX
        tops.append(y)
        y += layout.row
    return tops


def _filled(found: Cells, tops: Sequence[int], layout: Layout, scheme: str) -> Iterator[str]:
    """Give a path for each step of the scale, neighbouring cells of a row in one piece."""
    fills: Mapping[int, str] = {
        **dict(enumerate(SHADES[scheme])),
        BRIGHT: "url(#above)",
        UNHEARD: "url(#unheard)",
    }
    pieces: dict[int, list[str]] = {}
    for unit, top in enumerate(tops):
        for step, piece in _runs(found.steps[unit], top, layout):
            pieces.setdefault(step, []).append(piece)
    for step, paths in sorted(pieces.items()):
        yield f'<path fill="{fills[step]}" d="{"".join(paths)}"/>'


def _runs(steps: Steps, top: int, layout: Layout) -> Iterator[tuple[int, str]]:
    height = layout.row - 1
    for day, slots in enumerate(steps):
        at = 0
        for step, run in groupby(slots.tolist()):
            length = len(list(run))
            if step != BLANK:
                x, wide = layout.x(day, at), length * layout.cell
                yield step, f"M{x:.1f} {top}h{wide:.1f}v{height}h{-wide:.1f}z"
            at += length


def _day_names(found: Cells, layout: Layout, ink: Ink) -> str:
    wide = layout.cell * (layout.slots + 1)
    long = wide >= 62
    every = 1 if long else max(1, int(np.ceil(44 / wide)))
    parts = []
    for i, day in enumerate(found.days):
        name = words.short_day(day) if long else words.day_of_month(day)
        if i % every == 0:
            parts.append(
                _text(layout.x(i, 0), layout.top + 4, name.replace(words.NBSP, " "), ink.quiet, "start")
            )
    return "".join(parts)


def _planes(rows: Sequence[RowLabel], tops: Sequence[int], layout: Layout) -> str:
    firsts = [i for i, row in enumerate(rows) if i == 0 or row.plane != rows[i - 1].plane]
    return "".join(
        f'<text x="4" y="{tops[i] - 5}" font-weight="600">{escape(_shortened(rows[i].plane, layout))}</text>'
        for i in firsts
    )


def _shortened(name: str, layout: Layout) -> str:
    longest = int((layout.width - 8) / 7)
    return name if len(name) <= longest else name[: longest - 1] + "\u2026"


def _name(row: RowLabel, number: int, top: int, layout: Layout, ink: Ink) -> str:
    every = -(-LABEL_EVERY_PX // layout.row)
    if number % every and not row.cause:
        return ""
    y = top + layout.row / 2 + 3.5
    colour, weight = (ink.mark, ' font-weight="600"') if row.cause else (ink.quiet, "")
    name = _text(layout.left - 6, y, row.tail, colour, "end", weight)
    if not row.cause or not layout.right:
        return name
    return name + _text(layout.width - layout.right + 4, y, row.cause, colour, "start", weight)


def _text(x: float, y: float, text: str, colour: str, anchor: str, more: str = "") -> str:
    look = f'text-anchor="{anchor}" font-size="11" fill="{colour}"{more}'
    return f'<text x="{x:.1f}" y="{y:.1f}" {look}>{escape(text)}</text>'


def _legend(ink: Ink, scheme: str, *, narrow: bool) -> str:
    parts, x, y = [_text(4, 14, _("Measured over expected energy:"), ink.text, "start")], 4.0, 34.0
    for fill, text in _keys(scheme):
        wide = 30 + LETTER_PX * len(text)
        if x + wide > (358 if narrow else 1040):
            x, y = 4.0, y + 19
        key = f'stroke="{ink.quiet}" stroke-width="0.5" d="M{x:.0f} {y - 10:.0f}h16v12h-16z"'
        parts.append(f'<path fill="{fill}" {key}/>')
        parts.append(_text(x + 21, y, text, ink.text, "start"))
        x += wide
    return "".join(parts)


def _keys(scheme: str) -> list[tuple[str, str]]:
    ends = [words.ratio(bound) for bound in BOUNDS]
    texts = [
        _("%(least)s and more") % {"least": ends[0]},
        *(words.between(low, high) for high, low in pairwise(ends)),
        _("under %(most)s") % {"most": ends[-1]},
    ]
    marks = [
        ("url(#above)", _("over %(least)s") % {"least": words.ratio(ABOVE)}),
        ("url(#unheard)", _("not heard")),
    ]
    return [*zip(SHADES[scheme], texts, strict=True), *marks]


def _patterns(ink: Ink, scheme: str) -> str:
    square = 'width="{0}" height="{0}" patternUnits="userSpaceOnUse"'
    return (
        f'<defs><pattern id="unheard" {square.format(5)} patternTransform="rotate(45)">'
        f'<path d="M0,0h5v5h-5z" fill="{PAPER[scheme]}"/><path d="M0,0v5" stroke="{ink.mark}" stroke-width="2"/>'
        f'</pattern><pattern id="above" {square.format(4)}><path d="M0,0h4v4h-4z" fill="{SHADES[scheme][0]}"/>'
        f'<circle cx="2" cy="2" r="1" fill="{ink.text}"/></pattern></defs>'
    )
