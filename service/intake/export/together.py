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
from service.intake.export.model import Guess, Known, Proposal
from service.intake.export.named import name_of, of_what_was_made
from service.intake.export.propose import Answers, propose
from service.intake.export.survey import Trace
from service.intake.export.tables import Seen, Table
from service.intake.problems import mark, told

MOST_TABLES = 200
"""Whose light is kept for the others; each has some hundred kilobytes."""

LONGEST_NOTE = 60
"""Rows of a text beside the tables: what is longer is no note on them."""

ALIKE = ("delimiter", "shape", "time_columns")
SHARED = ("timezone", "quantity", "label", "decimal", "day_first")
"""What tables that say the same have in common: one of a unit that gives nothing shows none of it itself."""

SAME, MOST_OFF, FEWEST_ALIKE = 0.02, 0.1, 10
"""Values of one time differ by more than rounding does, more of them than clouds of a late clock, among enough."""

_NOT_MADE = mark("its name says that it holds {name}, and other tables have what the same units made")
_CONTRADICTS = mark(
    "it has other values for the same units and times than {other}, and the later table counts; if one of them is not "
    "what was made, take it out of the file"
)

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
    found = _without_expected(of_what_was_made(found))
    by_kind = {kind: [own for own in found if _kind(own[1]) == kind] for kind in {_kind(p) for _, p in found}}
    shared = {kind: _shared(alike, known, answers, notes) for kind, alike in by_kind.items()}
    settled = [
        (table, propose(table, known, answers, shared=given, notes=notes) if _differs(own, given) else own)
        for table, own in found
        for given in [shared[_kind(own)]]
    ]
    return [(table, _warned(table, own, settled)) for table, own in settled]


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
    """Return the units of which a table shows something."""
    return set(proposal.light.head) if proposal.recipe is not None and proposal.light is not None else set()


def _warned(table: Table, own: Proposal, found: Found) -> Proposal:
    """Return how a table would be read, with a warning if one before it has other values for its units and times."""
    before = found[: next(i for i, (one, _) in enumerate(found) if one is table)]
    other = next(
        (one for one, p in before[:MOST_TABLES] if _units(p) & _units(own) and _contradict(p, own)), None
    )
    if other is None:
        return own
    return replace(own, warnings=(*own.warnings, told(_CONTRADICTS, other=other.name)))


def _contradict(one: Proposal, other: Proposal) -> bool:
    """Return whether two tables give units other values at many of the times that both have."""
    if one.recipe is None or other.recipe is None or one.recipe.quantity != other.recipe.quantity:
        return False
    return any(
        _differ(one.light.head[unit], other.light.head[unit]) for unit in sorted(_units(one) & _units(other))
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
