"""Proposes the tables of one file: where each is of one unit, the light of one tells too little of the zone.

A plane to the west is late, one to the east early; together they are neither.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from service.intake.export import words
from service.intake.export.blocks import Row
from service.intake.export.model import QUANTITIES, Guess, Known, Proposal, Recipe
from service.intake.export.named import name_of, of_what_was_made
from service.intake.export.propose import Answers, propose
from service.intake.export.survey import Trace
from service.intake.export.tables import Seen, Table
from service.intake.problems import Told, mark, told

MOST_TABLES = 200
"""Whose light is kept for the others; each has some hundred kilobytes."""

LONGEST_NOTE = 60
"""Rows of a text beside the tables: what is longer is no note on them."""

ALIKE = ("delimiter", "shape", "time_columns")
SHARED = ("timezone", "quantity", "label", "decimal", "day_first", "interval_min")
"""What tables that say the same have in common: one of a unit that gives nothing shows none of it itself."""

ALIKE_ENERGY = 1.1
"""What two tables of one unit's energies differ by: rounding, and an interval at either end."""

SAME, MOST_OFF, FEWEST_ALIKE = 0.02, 0.1, 10
"""Values of one time differ by more than rounding does, more of them than clouds of a late clock, among enough."""

_NOT_MADE = mark("its name says that it holds {name}, and other tables have what the same units made")
_CONTRADICTS = mark(
    "it has other values for the same units and times than {other}; take the one out of the file that is not what was "
    "made"
)
_HIDDEN = mark("its sheet is hidden, and another has the same units and times")
_COARSER = mark("{other} has the same energies in finer intervals")

Found = list[tuple[Table, Proposal]]


def proposed(
    tables: Sequence[Table],
    known: Known,
    answers: Answers,
    seen: Callable[[int], Seen] = lambda _: lambda _: None,
) -> Found:
    """Return how each table would be read; `seen` makes of what lies before a table who is told of its progress."""
    found, before = Found(), 0
    for table in tables:
        found.append((table, propose(table, known, answers, seen(before))))
        before += table.size
    notes = _notes(found)
    found = [
        (table, propose(table, known, answers, notes=notes) if p.recipe and notes else p)
        for table, p in found
    ]
    found = _without_coarser(_without_expected(of_what_was_made(found)))
    by_kind = {kind: [own for own in found if _kind(own[1]) == kind] for kind in {_kind(p) for _, p in found}}
    shared = {kind: _shared(alike, known, answers, notes) for kind, alike in by_kind.items()}
    settled = [
        (table, propose(table, known, answers, shared=given, notes=notes) if _differs(own, given) else own)
        for table, own in found
        for given in [shared[_kind(own)]]
    ]
    return _without_contradictions(_without_hidden(settled))


def _without_expected(found: Found) -> Found:
    """Leave out tables whose name says something else, where others have what was made by their units."""
    aside = [bool(words.NOT_MADE.search(name_of(table))) for table, _ in found]
    made = {unit for (_, p), other in zip(found, aside, strict=True) if not other for unit in _units(p)}
    return [
        (
            table,
            replace(p, recipe=None, refused=told(_NOT_MADE, name=name_of(table)), questions=(), warnings=()),
        )
        if other and p.recipe is not None and _units(p) & made
        else (table, p)
        for (table, p), other in zip(found, aside, strict=True)
    ]


def _units(proposal: Proposal) -> set[str]:
    """Return the units of which a table shows something, if their names are known."""
    is_known = proposal.recipe is not None and proposal.light is not None and not _asks(proposal, "units")
    return set(proposal.light.head) if is_known else set()


def _refused(table: Table, why: Told) -> tuple[Table, Proposal]:
    return table, Proposal(table.name, {}, refused=why)


def _without_hidden(found: Found) -> Found:
    """Leave out hidden sheets of units and times that others have: what their owner hid does not count before it."""
    shown = [p for table, p in found if not table.is_hidden]
    return [
        _refused(table, told(_HIDDEN))
        if table.is_hidden and any(_overlap(own, other) for other in shown)
        else (table, own)
        for table, own in found
    ]


def _overlap(one: Proposal, other: Proposal) -> bool:
    units = _units(one) & _units(other)
    return any(np.isin(one.light.head[u].naive, other.light.head[u].naive).any() for u in units)


def _without_contradictions(found: Found) -> Found:
    """Refuse tables that have other values than one another for the same units and times."""
    looked_at = found[:MOST_TABLES]
    return [
        _refused(table, told(_CONTRADICTS, other=other.name))
        if (other := next((t for t, p in looked_at if t is not table and _contradict(p, own)), None))
        else (table, own)
        for table, own in found
    ]


def _without_coarser(found: Found) -> Found:
    """Leave out tables whose energies another has in finer intervals."""
    return [
        _refused(table, told(_COARSER, other=finer.name))
        if (finer := next((t for t, p in found[:MOST_TABLES] if _is_finer(p, own)), None))
        else (table, own)
        for table, own in found
    ]


def _is_finer(one: Proposal, coarse: Proposal) -> bool:
    """Return whether a table has the units of another in finer intervals, all of its time, and the same energy."""
    units = _units(coarse)
    if one.recipe is None or coarse.recipe is None or not units or not units <= _units(one):
        return False
    if 2 * one.recipe.interval_min > coarse.recipe.interval_min or one.recipe.irregular:
        return False
    return all(_holds(one, coarse, unit) for unit in units)


def _holds(one: Proposal, coarse: Proposal, unit: str) -> bool:
    step = 60 * coarse.recipe.interval_min if coarse.recipe else 0
    spans = [(t.naive.min(), t.naive.max()) for t in (_spread(one, unit), _spread(coarse, unit))]
    if spans[0][0] > spans[1][0] + step or spans[0][1] < spans[1][1] - step:
        return False
    mine, other = one.light.head[unit], coarse.light.head[unit]
    begin, end = max(mine.naive.min(), other.naive.min()), min(mine.naive.max(), other.naive.max())
    recipes = [(p.recipe, t) for p, t in ((one, mine), (coarse, other)) if p.recipe is not None]
    sums = [_energy(recipe, trace, begin, end) for recipe, trace in recipes]
    return min(sums) > 0 and max(sums) < ALIKE_ENERGY * min(sums)


def _spread(proposal: Proposal, unit: str) -> Trace:
    found: Trace = proposal.light.spread.get(unit, proposal.light.head[unit])
    return found


def _energy(recipe: Recipe, trace: Trace, begin: int, end: int) -> float:
    hours = 1.0 if recipe.quantity.startswith("energy") else recipe.interval_min / 60
    within = (trace.naive >= begin) & (trace.naive <= end)
    return float(trace.values[within].sum()) * QUANTITIES[recipe.quantity] * hours


def _contradict(one: Proposal, other: Proposal) -> bool:
    """Return whether two tables give units other values at many of the times that both have."""
    if one.recipe is None or other.recipe is None or one.recipe.quantity != other.recipe.quantity:
        return False
    if one.recipe.interval_min != other.recipe.interval_min:
        return False
    return any(
        _differ(_by_starts(one, unit), _by_starts(other, unit))
        for unit in sorted(_units(one) & _units(other))
    )


def _by_starts(proposal: Proposal, unit: str) -> Trace:
    """Return what a table shows of a unit, by the starts of its intervals; a counter shows it in their middle."""
    trace: Trace = proposal.light.head[unit]
    recipe = proposal.recipe
    if recipe is None or recipe.quantity.startswith("counter"):
        return trace
    return Trace(
        trace.naive - {"start": 0, "middle": 30, "end": 60}[recipe.label] * recipe.interval_min, trace.values
    )


def _differ(one: Trace, other: Trace) -> bool:
    _, at, beside = np.intersect1d(one.naive, other.naive, return_indices=True)
    values = np.abs(np.stack([one.values[at], other.values[beside]]))
    lit = values.max(axis=0) > 0
    off = np.abs(np.diff(values, axis=0))[0] > SAME * values.max(axis=0)
    return int(lit.sum()) >= FEWEST_ALIKE and float(off[lit].mean()) > MOST_OFF


def _notes(found: Found) -> list[list[Row]]:
    """Return the rows of each text beside the tables: a word on them, or a list of units."""
    texts = [list(islice(table.rows(), LONGEST_NOTE + 1)) for table, p in found if p.recipe is None]
    return [text for text in texts if len(text) <= LONGEST_NOTE]


def _shared(
    alike: Found, known: Known, answers: Answers, notes: Sequence[Sequence[Row]]
) -> Mapping[str, Guess]:
    """Return what tables of a kind settle for those in which it is open."""
    keys = [key for key in SHARED if any(_asks(p, key) for _, p in alike)]
    found = {key: guess for key in keys if (guess := _agreed([p for _, p in alike], key)) is not None}
    if "timezone" in keys and "timezone" not in found and (zone := _zone_of(alike, known, answers, notes)):
        found["timezone"] = zone
    return found


def _agreed(alike: Sequence[Proposal], key: str) -> Guess | None:
    """Return what those agree in that do not ask for it."""
    settled = [p.guesses[key] for p in alike if p.recipe is not None and not _asks(p, key)]
    values = {str(guess.value) for guess in settled}
    return (
        Guess(settled[0].value, 0.9, told("as in the other tables of the file")) if len(values) == 1 else None
    )


def _zone_of(alike: Found, known: Known, answers: Answers, notes: Sequence[Sequence[Row]]) -> Guess | None:
    """Return the zone that the light of all tables of a kind settles, where that of one leaves it open."""
    lit = [(table, p) for table, p in alike[:MOST_TABLES] if p.light is not None]
    if len(lit) < 2:
        return None
    again = propose(lit[0][0], known, answers, beside=[p.light for _, p in lit[1:]], notes=notes)
    return None if _asks(again, "timezone") else again.guesses["timezone"]


def _differs(own: Proposal, given: Mapping[str, Guess]) -> bool:
    """Return whether something was asked that is given, or another zone taken."""
    zone, own_zone = given.get("timezone"), own.guesses.get("timezone")
    return any(_asks(own, key) for key in given) or (None not in (zone, own_zone) and zone != own_zone)


def _asks(proposal: Proposal, key: str) -> bool:
    return any(question.key == key for question in proposal.questions)


def _kind(proposal: Proposal) -> tuple[str, ...]:
    return (
        *(str(proposal.guesses[name].value) for name in ALIKE if name in proposal.guesses),
        *proposal.says,
    )
