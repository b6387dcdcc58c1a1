"""Several columns of one unit in the same measure that no word tells apart: physics rules some out, or a person says.

What was made is not negative by day, not made by night, not of another year, and its intervals are no running sum.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from service.intake.export import words
from service.intake.export.cells import decimal_of
from service.intake.export.columns import factors_of, without_serial
from service.intake.export.draft import Draft, listed
from service.intake.export.intervals import steps_of
from service.intake.export.layout import Layout, NotReadable, Value
from service.intake.export.model import Known
from service.intake.export.naming import Units, units_question
from service.intake.export.noon import night_share
from service.intake.export.quantity import rank, runs_on
from service.intake.export.survey import Trace, traces
from service.intake.export.times import Stamp
from service.intake.export.zones import Clockwork, sign, zone_of
from service.intake.problems import told
from service.store.grids import IntArray

SAME, MOST_OFF, FEWEST = 0.02, 0.1, 10
"""Values that differ by more than rounding does, more of them than at a cloud's edge, among enough."""

NEGATIVE = 0.05
"""Of the values that are not nothing: a meter's own draw by night is fewer, a deviation is negative half the time."""

BY_NIGHT = 0.2
BELOW_DEG = -6.0
"""Civil twilight: under it no module gives anything."""

_YEAR = re.compile(r"(?<!\d)(19|20)\d\d(?!\d)")

ToUtc = Callable[[IntArray], IntArray]


@dataclass(frozen=True)
class _Rows:
    data: list[list[str]]
    stamped: list[Stamp | None]
    layout: Layout


def of_what_was_made(
    layout: Layout,
    columns: Sequence[Value],
    coarse: Container[int],
    data: list[list[str]],
    stamped: list[Stamp | None],
    units: Units,
    draft: Draft,
) -> tuple[Value, ...]:
    """Return the columns with those in their place that alone can be what was made; ask if several can."""
    rivals = [v for v in layout.values if any(_is_rival(v, c, coarse, layout) for c in columns)]
    kinds = _by_kind(rivals)
    rows = _Rows(data, stamped, layout)
    found = {kind: _told_of(values, rows) for kind, values in kinds.items()} if len(kinds) > 1 else {}
    if len(found) < 2 or not _differ(found):
        return tuple(columns)
    left = _left(found, stamped, units.known)
    if len(left) == 1:
        return _in_place(columns, kinds[left[0]], layout)
    if layout.serial_column is not None:
        raise NotReadable(
            told(
                "it has several columns in the same measure ({names}), and nothing tells which holds what was made; "
                "export that one alone",
                names=listed(kinds),
            )
        )
    why = told(
        "several columns of each unit have the same measure, and nothing tells which holds what was made"
    )
    draft.questions.append(units_question((v.heading for v in rivals), units, why))
    return tuple(columns)


def _is_rival(value: Value, chosen: Value, coarse: Container[int], layout: Layout) -> bool:
    is_own = layout.serial_column is not None or (value.serial and value.serial == chosen.serial)
    return bool(is_own) and rank(value, coarse) == rank(chosen, coarse)


def _by_kind(values: Iterable[Value]) -> dict[str, list[Value]]:
    """Return columns by what their headings say beside the unit."""
    found: dict[str, list[Value]] = {}
    for value in values:
        found.setdefault(" ".join(without_serial(value).lower().split()), []).append(value)
    return found


def _told_of(values: Sequence[Value], rows: _Rows) -> dict[str, Trace]:
    """Return what columns of one kind say of each unit."""
    decimal = decimal_of({r[v.index] for r in rows.data for v in values if len(r) > v.index})[0] or "."
    return traces(rows.data, rows.stamped, rows.layout, factors_of(values), decimal)


def _differ(found: Mapping[str, Mapping[str, Trace]]) -> bool:
    """Return whether columns say something different of a unit that several of them speak of."""
    first, *others = found.values()
    return any(_is_other(first[name], one[name]) for one in others for name in first.keys() & one.keys())


def _is_other(one: Trace, other: Trace) -> bool:
    _, at, beside = np.intersect1d(one.naive, other.naive, return_indices=True)
    values = np.abs(np.stack([one.values[at], other.values[beside]]))
    lit = values.max(axis=0) > 0
    off = np.abs(one.values[at] - other.values[beside])[lit] > SAME * values.max(axis=0)[lit]
    return int(lit.sum()) >= FEWEST and float(off.mean()) > MOST_OFF


def _left(
    found: Mapping[str, Mapping[str, Trace]], stamped: Sequence[Stamp | None], known: Known
) -> list[str]:
    """Return the kinds that can be what was made."""
    timed = [s for s in stamped if s is not None and s.day is not None]
    years = {str(datetime.fromtimestamp(s.naive, UTC).year) for s in timed}
    clocks = _clocks(timed, known)
    running = {kind for kind, told_of in found.items() if _runs(told_of)}
    if len(running) < len(found):
        found = {kind: told_of for kind, told_of in found.items() if kind not in running}
    left = [
        kind
        for kind, told_of in found.items()
        if not (said := {m[0] for m in _YEAR.finditer(kind)}) or said & years
        if not _is_negative(told_of) and not _is_by_night(told_of, clocks, known)
    ]
    plain = [kind for kind in left if all(map(_is_measure, kind.split()))]
    return plain if len(plain) == 1 and not any("ac" in kind.split() for kind in left) else left


def _is_measure(word: str) -> bool:
    """Return whether a word says energy or power: what says no more is the unit's own, beside a mean of others, say."""
    return bool(words.unit_of(word) or words.ENERGY.search(word) or words.POWER.search(word))


def _runs(told_of: Mapping[str, Trace]) -> bool:
    steps = steps_of(told_of)
    return steps is not None and runs_on(told_of, newest_first=steps.newest_first) is True


def _is_negative(told_of: Mapping[str, Trace]) -> bool:
    every = np.concatenate([t.values for t in told_of.values()])
    return bool(np.count_nonzero(every < 0) > NEGATIVE * np.count_nonzero(every))


def _clocks(timed: Sequence[Stamp], known: Known) -> list[ToUtc]:
    """Return the clocks that the times may be of: their own, or the site's and that of UTC."""
    offsets = {s.offset for s in timed}
    if offsets and None not in offsets and len(offsets) == 1:
        return [Clockwork(zone_of(sign(offset))).utc for offset in offsets if offset is not None]
    return [Clockwork(zone_of(zone)).utc for zone in (known.zone, "UTC")]


def _is_by_night(told_of: Mapping[str, Trace], clocks: Sequence[ToUtc], known: Known) -> bool:
    """Return whether much of it is made with the sun down, whatever the clock."""
    made = [_moves(t) for t in told_of.values()] if _runs(told_of) else list(told_of.values())
    return all(
        night_share(made, clock, known.longitude, known.latitude, BELOW_DEG) > BY_NIGHT for clock in clocks
    )


def _moves(trace: Trace) -> Trace:
    """Return what a counter went on by from each reading to the next."""
    order = np.argsort(trace.naive, kind="stable")
    return Trace(trace.naive[order][1:], np.diff(trace.values[order]).clip(min=0))


def _in_place(columns: Sequence[Value], chosen: Sequence[Value], layout: Layout) -> tuple[Value, ...]:
    """Return the columns with the chosen one of each unit in the place of its rival."""
    if layout.serial_column is not None:
        return tuple(chosen)
    by_unit = {v.serial: v for v in chosen}
    return tuple(by_unit.get(c.serial, c) for c in columns)
