"""The ranking as one drawing for a letter or a report: each unit's index as a dot with its band, and its cause.

Pure functions from lines to SVG text, like `charts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from service.report import words
from service.report.charts import DARK, LIGHT, Ink
from service.report.language import gettext as _
from service.report.marks import SCALE_TICKS, SCALE_WIDTH, Dot, scale_x

ROW_PX, TOP_PX = 30, 44


@dataclass(frozen=True)
class RankRow:
    """One unit as it is drawn; `cause` is empty where nobody needs to look."""

    rank: int
    serial: str
    place: str
    ratio: str
    index: str
    dot: Dot | None
    cause: str


@dataclass(frozen=True)
class Places:
    """Where the columns stand, px."""

    width: int
    rank: int
    serial: int
    ratio: int
    scale: int
    index: int
    cause: int


WIDE = Places(1040, 34, 50, 470, 490, 710, 760)
NARROW = Places(358, 22, 30, 0, 156, 354, 0)


def ranking_chart(rows: Sequence[RankRow], *, title: str, narrow: bool = False, dark: bool = False) -> str:
    """Return the drawing."""
    ink, places = DARK if dark else LIGHT, NARROW if narrow else WIDE
    width, height = size(len(rows), narrow=narrow)
    parts = [_head(ink, places), *(_row(row, i, ink, places) for i, row in enumerate(rows))]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="system-ui, sans-serif" '
        f'font-size="12" fill="{ink.text}"><title>{escape(title)}</title>{"".join(parts)}</svg>'
    )


def size(units: int, *, narrow: bool = False) -> tuple[int, int]:
    """Return the drawing's width and height, px."""
    return (NARROW if narrow else WIDE).width, TOP_PX + ROW_PX * units + 6


def _head(ink: Ink, places: Places) -> str:
    ticks = "".join(
        _text(places.scale + scale_x(tick), 34, words.number(tick, 1), ink.quiet, "middle")
        for tick in SCALE_TICKS
    )
    parts = [
        _text(places.serial, 34, _("Unit"), ink.quiet),
        _text(places.scale, 16, _("Performance index"), ink.quiet),
        ticks,
    ]
    if places.ratio:
        parts.append(_text(places.ratio, 34, _("Performance ratio"), ink.quiet, "end"))
        parts.append(_text(places.cause, 34, _("Cause"), ink.quiet))
    line = f'<path d="M4 {TOP_PX - 4}H{places.width - 4}" stroke="{ink.text}" stroke-width="1.5"/>'
    return "".join(parts) + line


def _row(row: RankRow, number: int, ink: Ink, places: Places) -> str:
    y = TOP_PX + ROW_PX * number
    colour = ink.mark if row.cause else ink.text
    bold = ' font-weight="600"' if row.cause else ""
    parts = [
        _text(places.rank, y + 17, str(row.rank), ink.quiet, "end"),
        _text(places.serial, y + 13, row.serial, ink.text, "start", bold),
        _text(
            places.serial,
            y + 25,
            row.cause if not places.ratio and row.cause else row.place,
            ink.quiet,
            size=10,
        ),
        _index(row.dot, y + 16, ink, places, colour),
        _text(places.index, y + 20, row.index, ink.text, "end"),
        f'<path d="M4 {y + ROW_PX - 0.5}H{places.width - 4}" stroke="{ink.rule}"/>',
    ]
    if places.ratio:
        parts.append(_text(places.ratio, y + 20, row.ratio, ink.text, "end"))
        parts.append(_text(places.cause, y + 20, row.cause, ink.mark, "start", bold))
    return "".join(parts)


def _index(dot: Dot | None, y: int, ink: Ink, places: Places, colour: str) -> str:
    left = places.scale
    one = f'<path d="M{left + scale_x(1.0)} {y - 10}v20" stroke="{ink.quiet}" stroke-dasharray="2 3"/>'
    base = f'<path d="M{left} {y}h{SCALE_WIDTH}" stroke="{ink.rule}"/>'
    if dot is None:
        return _text(left, y + 4, _("no index"), ink.quiet)
    if dot.beyond:
        at, turn = (left - 6, 9) if dot.beyond == "below" else (left + SCALE_WIDTH + 6, -9)
        return f'{one}{base}<path d="M{at} {y}l{turn}-5v10z" fill="{colour}"/>'
    low, high = left + dot.low, left + dot.high
    band = f"M{low:.1f} {y - 5}v10M{high:.1f} {y - 5}v10M{low:.1f} {y}H{high:.1f}"
    return (
        f'{one}{base}<path d="{band}" fill="none" stroke="{colour}" stroke-width="1.5"/>'
        f'<circle cx="{left + dot.x:.1f}" cy="{y}" r="3.5" fill="{colour}"/>'
    )


def _text(
    x: float, y: float, text: str, colour: str, anchor: str = "start", more: str = "", size: int = 12
) -> str:
    look = f'text-anchor="{anchor}" font-size="{size}" fill="{colour}"{more}'
    return f'<text x="{x:.1f}" y="{y:.1f}" {look}>{escape(text)}</text>'
