"""Which tables of one file hold, by the names of sheets and files, what stands beside what was made, or sums of it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.intake.export import words
from service.intake.export.asking import NO_UNIT
from service.intake.export.layout import Value, table_stem
from service.intake.export.model import Proposal
from service.intake.export.quantity import rank
from service.intake.export.tables import Table
from service.intake.problems import Told, told

BESIDE = 100
"""The rank of a name that says neither energy nor power but another quantity, after all that do."""

_ASIDE = re.compile(r"[\[(][^\[\]()]{0,60}[\])]")

Found = list[tuple[Table, Proposal]]


def of_what_was_made(found: Found) -> Found:
    """Return the tables with those refused that hold something else, if others hold what was made."""
    read = [(table, proposal) for table, proposal in found if proposal.recipe is not None]
    others = [(name_of(table), proposal) for table, proposal in read if not proposal.is_said]
    has_units = any(not _asks_of_units(proposal) for _, proposal in read)

    def reason(table: Table, proposal: Proposal) -> Told | None:
        if proposal.recipe is None:
            return None
        if has_units and _is_total(proposal):
            return told("it holds a total, and other tables its units")
        names = [name for name, other in others if not _is_finer(proposal, other)]
        return None if proposal.is_said else _beside(name_of(table), names)

    return [
        (table, Proposal(table.name, {}, refused=why) if (why := reason(table, proposal)) else proposal)
        for table, proposal in found
    ]


def _is_finer(proposal: Proposal, other: Proposal) -> bool:
    """Return whether a table that says itself what it holds has finer intervals than another."""
    minutes = [p.recipe.interval_min for p in (proposal, other) if p.recipe is not None]
    asks = any(question.key in ("quantity", "interval_min") for question in proposal.questions)
    return not asks and len(minutes) == 2 and 2 * minutes[0] <= minutes[1]


# By names


def name_of(table: Table) -> str:
    """Return the name of a sheet, or of a file in an archive."""
    return (table.title or table_stem(table.name)).replace("_", " ")


def _beside(name: str, names: Sequence[str]) -> Told | None:
    """Return why a table of that name is not read beside those of others, None if it is."""
    own = _rank(name)
    for other in names if own is not None else ():
        held = _rank(other)
        is_better = held is not None and own is not None and held < min(own, BESIDE)
        if is_better and (own == BESIDE or _of_whom(name) == _of_whom(other)):
            return told(
                "its name says that it holds other values beside what was made ({other})", other=other
            )
    return None


def _rank(name: str) -> int | None:
    """Return which of several names comes first, None if it says nothing of what is measured."""
    said = (words.unit_of(name), words.ENERGY.search(name), words.POWER.search(name))
    if any(said):
        return rank(Value(0, name, None))
    return BESIDE if words.OTHER.search(name) else None


def _of_whom(name: str) -> list[str]:
    """Return a name without the words that say what is measured."""
    said = _ASIDE.sub(" ", name).lower().split()
    return [word for word in said if not (words.is_measure(word) or words.NOT_MADE.search(word))]


# Sums


def _asks_of_units(proposal: Proposal) -> bool:
    return any(question.key == "units" for question in proposal.questions)


def _is_total(proposal: Proposal) -> bool:
    """Return whether all that its columns name are totals."""
    parts = [part for question in proposal.questions if question.key == "units" for part in question.parts]
    return bool(parts) and all(part.proposed == NO_UNIT for part in parts)
