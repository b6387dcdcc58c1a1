"""Proposes the tables of one file: where each is of one unit, the light of one tells too little of the zone.

A plane to the west is late, one to the east early; together they are neither.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from service.intake.export.model import Guess, Known, Proposal
from service.intake.export.propose import Answers, propose
from service.intake.export.tables import Seen, Table

MOST_TABLES = 200
"""Whose light is kept for the others; each has some hundred kilobytes."""

ALIKE = ("delimiter", "shape", "time_columns", "quantity", "interval_min")
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
    zones = {kind: _zone_of(kind, found, known, answers) for kind in {_kind(p) for _, p in found}}
    return [
        (table, own if (zone := zones[_kind(own)]) is None else propose(table, known, answers, zone=zone))
        for table, own in found
    ]


def _zone_of(kind: tuple[str, ...], found: Found, known: Known, answers: Answers) -> Guess | None:
    """Return the zone that the light of all tables of a kind settles, where that of one leaves it open."""
    alike = [(table, p) for table, p in found[:MOST_TABLES] if p.light is not None and _kind(p) == kind]
    if len(alike) < 2 or not any(_asks_zone(p) for _, p in alike):
        return None
    again = propose(alike[0][0], known, answers, beside=[p.light for _, p in alike[1:]])
    return None if _asks_zone(again) else again.guesses["timezone"]


def _asks_zone(proposal: Proposal) -> bool:
    return any(question.key == "timezone" for question in proposal.questions)


def _kind(proposal: Proposal) -> tuple[str, ...]:
    return tuple(str(proposal.guesses[name].value) for name in ALIKE if name in proposal.guesses)
