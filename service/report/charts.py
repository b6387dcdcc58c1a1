"""Charts as SVG text: measured against expected power, one panel a day, on the site's clock.

Pure functions from series to text, so that page, paper and test draw the same thing. Not interactive, no script,
no style sheet inside: colours are attributes, chosen by `dark`, so that a strict content-security policy
lets the chart through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

import numpy as np

from service.report import words
from service.report.days import DayTotal, Profile, Series, clock, day_profile, light_minutes, totals
from service.report.evidence import Evidence
from service.report.language import gettext, pgettext
from service.report.marks import Course, Frame, course, ticks

CHART_STEP_MIN = 10
NOON = 12 * 60

ROOMY_PX = 200
HOUR_PX, CLOCK_PX = 22, 36
"""From how far apart marked times have room as '9' and as '9:00'."""
MOST_MARKS = 5
LETTER_PX = 6.6
"""A letter of the legend, of 11 px, is about as wide."""


@dataclass(frozen=True)
class Ink:
    """The colours of a chart on light or dark paper."""

    text: str
    quiet: str
    rule: str
    made: str
    due: str
    mark: str


LIGHT = Ink("#1b2036", "#555a70", "#d9d2bf", "#e2a72e", "#1b2036", "#4a3fb5")
DARK = Ink("#f2ecdd", "#b9b5ab", "#3b405c", "#d99f2b", "#f2ecdd", "#b3abff")


@dataclass(frozen=True)
class Layout:
    """Sizes in px: how many panels stand side by side and how large they are."""

    width: int
    columns: int
    panel_height: int
    font: int
    left: int = 44
    gap: int = 14
    top: int = 36
    head: int = 40
    foot: int = 26

    @property
    def panel_width(self) -> float:
        """Return the width of one panel."""
        return (self.width - self.left - 6 - self.gap * (self.columns - 1)) / self.columns

    @property
    def row_height(self) -> int:
        """Return the height of a row of panels with its words."""
        return self.head + self.panel_height + self.foot


def day_panels(series: Series, *, title: str, narrow: bool = False, dark: bool = False) -> str:
    """Return the chart: measured filled, expected as a line, one panel for each local day."""
    layout = _layout(len(series.days), narrow)
    ink = DARK if dark else LIGHT
    profiles = [day_profile(series, d, CHART_STEP_MIN) for d in series.days]
    highest = [np.nanmax(np.append(p.measured_w, p.expected_w), initial=0.0) for p in profiles]
    peak_w = max([1.0, *map(float, highest)])
    light = light_minutes([series])
    parts = []
    for i, (profile, total) in enumerate(zip(profiles, totals(series), strict=True)):
        frame = _frame(i, layout, light, peak_w * 1.04)
        parts.append(_axes(frame, layout, ink, first=i % layout.columns == 0))
        parts.append(_panel(course(profile, frame), total, frame, layout, ink))
    sides = size(len(profiles), narrow=narrow)
    return _document("".join(parts), sides, layout, ink, title, legend(ink, sides[0]))


def evidence_panel(shown: Evidence, *, title: str, narrow: bool = False, dark: bool = False) -> str:
    """Return one day of a finding's units: measured filled, expected as a line, as the neighbours did dashed."""
    layout, ink = _evidence_layout(narrow), DARK if dark else LIGHT
    profile, beside = shown.profile(CHART_STEP_MIN), shown.neighbours_w(CHART_STEP_MIN)
    peak_w = float(np.nanmax([*profile.measured_w, *profile.expected_w, *beside], initial=1.0))
    frame = _frame(0, layout, light_minutes([shown.due]), peak_w * 1.04)
    total = totals(shown.series)[shown.series.days.index(shown.day)]
    line = course(Profile(profile.step_min, beside, beside), frame).due
    parts = (
        _axes(frame, layout, ink, first=True),
        _panel(course(profile, frame), total, frame, layout, ink),
        f'<path d="{line}" fill="none" stroke="{ink.mark}" stroke-width="2" stroke-dasharray="5 3"/>',
        _seen(shown.seen, frame, layout, ink),
    )
    sides = evidence_size(narrow=narrow)
    keys = legend(ink, sides[0], with_neighbours=bool(shown.neighbours))
    return _document("".join(parts), sides, layout, ink, title, keys)


def light_panel(
    day: date, profile: Profile, noon_min: float, *, title: str, narrow: bool = False, dark: bool = False
) -> str:
    """Return one day of a file's light: its mean power filled, a clear sky's as a line, and when the sun is highest."""
    layout, ink = _evidence_layout(narrow), DARK if dark else LIGHT
    lit = np.flatnonzero(np.nan_to_num(profile.measured_w) + profile.expected_w > 0) * profile.step_min
    light = (int(lit[0]) // 60 * 60, -(-(int(lit[-1]) + profile.step_min) // 60) * 60)
    peak_w = float(np.nanmax([*profile.measured_w, *profile.expected_w], initial=1.0))
    frame = _frame(0, layout, light, peak_w * 1.04)
    drawn = course(profile, frame)
    noon = float(frame.x(np.array([noon_min]))[0])
    dashed = f'stroke="{ink.mark}" stroke-width="1.5" stroke-dasharray="5 3"'
    parts = (
        _axes(frame, layout, ink, first=True),
        f'<text x="{frame.left:.1f}" y="{frame.top - 12:.1f}" font-weight="600">{escape(words.day(day))}</text>',
        f'<path d="{drawn.made}" fill="{ink.made}"/>',
        f'<path d="{drawn.due}" fill="none" stroke="{ink.due}" stroke-width="1.4" stroke-linejoin="round"/>',
        f'<path d="M{noon:.1f},{frame.top:.1f}V{frame.bottom:.1f}" fill="none" {dashed}/>',
    )
    keys = [
        (f'<path d="M0,20v-10h16v10z" fill="{ink.made}"/>', gettext("in the file")),
        (f'<path d="M0,16h16" stroke="{ink.due}" stroke-width="1.6"/>', gettext("under a clear sky")),
        (f'<path d="M8,8v13" {dashed}/>', gettext("the sun is highest")),
    ]
    sides = evidence_size(narrow=narrow)
    return _document("".join(parts), sides, layout, ink, title, _legend(keys, sides[0]))


def evidence_size(*, narrow: bool = False) -> tuple[int, int]:
    """Return such a chart's width and height, px."""
    layout = _evidence_layout(narrow)
    return layout.width, layout.top + layout.row_height


def _evidence_layout(narrow: bool) -> Layout:
    return Layout(358, 1, 130, 12, top=54, foot=44) if narrow else Layout(700, 1, 180, 13, foot=44)


def _seen(seen: tuple[int, int] | None, frame: Frame, layout: Layout, ink: Ink) -> str:
    """Return a bracket under the hours in which the cause was seen, where that is not the whole day."""
    ends = frame.x(np.array(seen, dtype=float)) if seen else np.zeros(2)
    left, right = float(ends[0]), float(ends[1])
    if right - left < 1 or right - left > 0.99 * frame.width:
        return ""
    y, size = frame.bottom + 24, layout.font - 1.5
    middle = min(max((left + right) / 2, frame.left + 20), frame.left + frame.width - 20)
    word = (
        f'<text x="{middle:.1f}" y="{y + 15:.1f}" text-anchor="middle" font-size="{size}" fill="{ink.mark}">'
    )
    bracket = f'<path d="M{left:.1f},{y - 4:.1f}v4H{right:.1f}v-4" fill="none" stroke="{ink.mark}" stroke-width="1.5"/>'
    said = escape(pgettext("cause", "seen"))
    return f"{bracket}{word}{said}</text>"


def size(days: int, *, narrow: bool = False) -> tuple[int, int]:
    """Return a chart's width and height, px."""
    layout = _layout(days, narrow)
    return layout.width, layout.top + _rows(days, layout) * layout.row_height


def _rows(days: int, layout: Layout) -> int:
    return -(-max(days, 1) // layout.columns)


def _layout(days: int, narrow: bool) -> Layout:
    if narrow:
        return Layout(358, min(max(days, 1), 3), 84, 12)
    return Layout(1040, min(max(days, 1), 7), 130, 13)


def _frame(index: int, layout: Layout, light: tuple[int, int], peak_w: float) -> Frame:
    row, column = divmod(index, layout.columns)
    left = layout.left + column * (layout.panel_width + layout.gap)
    top = layout.top + row * layout.row_height + layout.head
    return Frame(left, top, layout.panel_width, layout.panel_height, *light, peak_w)


def _panel(drawn: Course, total: DayTotal, frame: Frame, layout: Layout, ink: Ink) -> str:
    date = escape(words.short_day(total.day).replace(words.NBSP, " "))
    sums = (
        words.energy_of(total.measured_wh, total.expected_wh) if total.heard_share else gettext("not heard")
    )
    text_y = frame.top - 24
    small = layout.font - 1.5
    return (
        f'<text x="{frame.left:.1f}" y="{text_y:.1f}" font-weight="600">{date}</text>'
        f'<text x="{frame.left:.1f}" y="{text_y + 15:.1f}" font-size="{small}" fill="{ink.quiet}">{escape(sums)}</text>'
        f'<path d="{drawn.due_area}" fill="url(#missing)"/>'
        f'<path d="{drawn.made}" fill="{ink.made}"/>'
        f'<path d="{drawn.due}" fill="none" stroke="{ink.due}" stroke-width="1.4" stroke-linejoin="round"/>'
        f'<path d="{drawn.unheard}" stroke="{ink.mark}" stroke-width="4" stroke-dasharray="2 2"/>'
    )


def _axes(frame: Frame, layout: Layout, ink: Ink, *, first: bool) -> str:
    unit, scale = ("kW", 1000) if frame.peak_w >= 1000 else ("W", 1)
    parts = []
    for value in ticks(frame.peak_w / scale):
        y = float(frame.y(np.array([value * scale]))[0])
        parts.append(f'<path d="M{frame.left:.1f},{y:.1f}h{frame.width:.1f}" stroke="{ink.rule}"/>')
        if first:
            label = words.short_number(value) + (f" {unit}" if value else "")
            parts.append(_label(layout.left - 5, y + 4, label, "end", layout, ink))
    return "".join([*parts, _moments(frame, layout, ink)])


def _marks(frame: Frame) -> list[int]:
    """Return the minutes marked below a panel: the hours by which one reads a day, even steps in a shorter stretch."""
    usual = ((6, 9, 12, 15, 18), (9, 12, 15)) if frame.width > ROOMY_PX else ((6, 12, 18), (9, 12, 15))
    for hours in usual:
        if frame.first_min < hours[0] * 60 and hours[-1] * 60 < frame.last_min:
            return [hour * 60 for hour in hours]
    steps = (_even_marks(step, frame) for step in (15, 30, 60, 120, 180, 240))
    return next((marks for marks in steps if _fit(marks, frame)), [])


def _even_marks(step_min: int, frame: Frame) -> list[int]:
    return list(range((frame.first_min // step_min + 1) * step_min, frame.last_min, step_min))


def _fit(marks: list[int], frame: Frame) -> bool:
    are_hours = all(minute % 60 == 0 for minute in marks)
    return len(marks) <= MOST_MARKS and _apart_px(marks, frame) >= (HOUR_PX if are_hours else CLOCK_PX)


def _apart_px(marks: list[int], frame: Frame) -> float:
    minutes = marks[1] - marks[0] if len(marks) > 1 else frame.last_min - frame.first_min
    return frame.width * minutes / (frame.last_min - frame.first_min)


def _moments(frame: Frame, layout: Layout, ink: Ink) -> str:
    marks = _marks(frame)
    in_full = _apart_px(marks, frame) >= CLOCK_PX
    return "".join(
        _moment(minute, clock(minute) if in_full or minute == NOON else f"{minute // 60}", frame, layout, ink)
        for minute in marks
    )


def _moment(minute: int, text: str, frame: Frame, layout: Layout, ink: Ink) -> str:
    x = float(frame.x(np.array([float(minute)]))[0])
    tick = f'<path d="M{x:.1f},{frame.bottom:.1f}v4" stroke="{ink.quiet}"/>'
    return tick + _label(x, frame.bottom + 17, text, "middle", layout, ink)


def _label(x: float, y: float, text: str, anchor: str, layout: Layout, ink: Ink) -> str:
    size = layout.font - 1.5
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" fill="{ink.quiet}">{text}</text>'


def legend(ink: Ink, width: int, *, with_neighbours: bool = False) -> str:
    """Return what the marks of measured and expected power mean, in as many lines as it takes."""
    keys = [
        (f'<path d="M0,20v-10h16v10z" fill="{ink.made}"/>', gettext("measured")),
        (f'<path d="M0,16h16" stroke="{ink.due}" stroke-width="1.6"/>', gettext("expected")),
        ('<path d="M0,20v-10h16v10z" fill="url(#missing)"/>', pgettext("energy", "missing")),
        (
            f'<path d="M0,16h16" stroke="{ink.mark}" stroke-width="4" stroke-dasharray="2 2"/>',
            gettext("not heard"),
        ),
    ]
    if with_neighbours:
        dashed = f'<path d="M0,16h16" stroke="{ink.mark}" stroke-width="2" stroke-dasharray="5 3"/>'
        keys.append((dashed, gettext("as the neighbours did")))
    return _legend(keys, width)


def _legend(keys: Sequence[tuple[str, str]], width: int) -> str:
    parts, x, y = [], 4, 0
    for key, text in keys:
        if x + 21 + LETTER_PX * len(text) > width:
            x, y = 4, y + 18
        words_beside = f'<text x="21" y="19" font-size="11">{escape(text)}</text>'
        parts.append(f'<g transform="translate({x} {y})">{key}{words_beside}</g>')
        x += 32 + round(LETTER_PX * len(text))
    return "".join(parts)


def hatch(ink: Ink) -> str:
    """Return the pattern that stands for missing energy."""
    return (
        '<defs><pattern id="missing" width="5" height="5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path d="M0,0v5" stroke="{ink.mark}" stroke-width="1.6"/></pattern></defs>'
    )


def _document(parts: str, sides: tuple[int, int], layout: Layout, ink: Ink, title: str, keys: str) -> str:
    width, height = sides
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="system-ui, sans-serif" '
        f'font-size="{layout.font}" fill="{ink.text}"><title>{escape(title)}</title>'
        f"{hatch(ink)}{keys}{parts}</svg>"
    )
