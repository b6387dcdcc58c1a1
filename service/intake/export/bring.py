"""Brings an exported file into a site: nothing while a question is open, then piece by piece on the API's way in."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from sqlalchemy import Engine

from service.intake import limits
from service.intake.export import asking
from service.intake.export.counter import Meter
from service.intake.export.draft import listed
from service.intake.export.model import Known, Proposal, Question, Roof
from service.intake.export.propose import Answers, checked_answers
from service.intake.export.read import Piece, Rejected, Tally, meter_of, read
from service.intake.export.reshape import unfolded
from service.intake.export.tables import Table
from service.intake.export.together import proposed
from service.intake.problems import FieldError, Refused, mark, told
from service.intake.take import Import, Receipt, take_samples
from service.store.grids import Samples, moment

Seen = Callable[[int], None]
Keep = Callable[[Sequence[Rejected]], None]

_CHANNELS = {
    "energy_wh": mark("the energy"),
    "power_w": mark("the power"),
    "dc_voltage_v": mark("the DC voltage"),
    "ac_voltage_v": mark("the AC voltage"),
    "frequency_hz": mark("the frequency"),
    "temperature_c": mark("the temperature"),
    "signal_pct": mark("the signal"),
}
_NEGATIVE = mark("{channel} is negative")
_TOO_MUCH = mark("{channel} is far more than the inverter can give")


@dataclass(frozen=True)
class Plan:
    """A file's tables and how each would be read."""

    tables: tuple[tuple[Table, Proposal], ...]

    @property
    def readable(self) -> list[tuple[Table, Proposal]]:
        """Return the tables that hold readings."""
        return [(table, proposal) for table, proposal in self.tables if proposal.recipe is not None]

    @property
    def questions(self) -> list[Question]:
        """Return what is open, each key once, with the choices of all tables."""
        found: dict[str, Question] = {}
        for _, proposal in self.readable:
            for question in proposal.questions:
                found[question.key] = _joined(found.get(question.key), question)
        return list(found.values())

    @property
    def kind(self) -> str:
        """Return what tells files of one make from others: how they are laid out and what they call the time."""
        names = ("delimiter", "shape", "time_columns")
        tables = [p.guesses for _, p in self.readable]
        return "\n".join(sorted({" ".join(str(g[n].value) for n in names if n in g) for g in tables}))

    @property
    def warnings(self) -> list[str]:
        """Return what a person should know of each table, and of those that hold no readings."""
        said = [(w, t.name) for t, p in self.tables for w in p.warnings]
        said += [
            (told("is not read, since {why}", why=p.refused), t.name) for t, p in self.tables if p.refused
        ]
        if len(self.tables) == 1:
            return [warning for warning, _ in said]
        names: dict[str, list[str]] = {}
        for warning, name in said:
            names.setdefault(warning, []).append(name)
        return [told("{name}: {warning}", name=listed(n), warning=w) for w, n in names.items()]


@dataclass
class Taken:
    """What became of a file."""

    accepted: int = 0
    replaced: int = 0
    rejected: int = 0
    missing: int = 0
    warnings: list[str] = field(default_factory=list)


def plan(
    tables: Sequence[Table],
    record: Mapping[str, Any],
    answers: Answers,
    seen: Seen = lambda _: None,
    roof: Roof | None = None,
) -> Plan:
    """Return how a file's tables would be read; Refused if none can be, or if an answer is none."""
    checked_answers(answers)
    known = Known.of_record(record, now=time.time(), roof=roof)
    found = proposed(
        [unfolded(table) for table in tables], known, answers, lambda before: _after(before, seen)
    )
    if all(proposal.recipe is None for _, proposal in found):
        raise Refused(
            [FieldError(table.name, told("holds no readings: {why}", why=p.refused)) for table, p in found]
        )
    return Plan(tuple(found))


def bring(
    engine: Engine,
    site_id: str,
    record: Mapping[str, Any],
    planned: Plan,
    *,
    by: str,
    file: str,
    keep: Keep,
    seen: Seen = lambda _: None,
    first_part: int = 0,
) -> Taken:
    """Store all readings of a file without open questions; each that is rejected goes to `keep` with its reason.

    Whoever has noted the import already begins with part 1.
    """
    if planned.questions:
        raise ValueError("a question is open")
    taken = Taken()
    try:
        for part, piece in enumerate(
            _pieces(planned, Known.of_record(record), taken, seen), start=first_part
        ):
            rejected = [*piece.rejected, *implausible(piece.samples, record)]
            imported = Import(by, file, part)
            receipt = take_samples(engine, site_id, piece.samples, imported=imported, noted=piece.noted)
            _count(taken, receipt, len(rejected))
            keep(rejected)
    except Refused as why:
        raise Refused([*why.errors, *_stored(file, taken)]) from None
    taken.warnings = list(dict.fromkeys([*planned.warnings, *taken.warnings]))
    return taken


def _count(taken: Taken, receipt: Receipt, rejected: int) -> None:
    taken.accepted += receipt.accepted
    taken.replaced += receipt.replaced
    taken.rejected += rejected
    taken.warnings += [p["message"] for p in receipt.problems if p["serial"] is None and p["field"]]


def _stored(file: str, taken: Taken) -> Iterator[FieldError]:
    """Say what is stored of a file that turned out to be damaged on the way."""
    count = taken.accepted + taken.replaced
    if count:
        why = told("{count} readings are stored; bring the mended file in, and each counts once", count=count)
        yield FieldError(file, why)


def _pieces(planned: Plan, known: Known, taken: Taken, seen: Seen) -> Iterator[Piece]:
    before, meters = 0, dict[tuple[object, ...], Meter]()
    for table, proposal in planned.readable:
        if (recipe := proposal.recipe) is not None:
            tally = Tally()
            kind = (recipe.quantity, recipe.label, recipe.zone, recipe.newest_first, recipe.irregular)
            meter = meters.setdefault(kind, meter_of(recipe, known))
            meter.go_on_in_another_table()
            yield from read(table, recipe, known, tally, _after(before, seen), meter)
            taken.missing += tally.missing
            taken.warnings += tally.warnings(recipe)
        before += table.size


def implausible(samples: Sequence[Samples], record: Mapping[str, Any]) -> Iterator[Rejected]:
    """Give each value that `limits` keeps out: a receipt lists the first thousand only."""
    for sent, kept in zip(samples, limits.checked(samples, record).samples, strict=True):
        out = np.flatnonzero(np.isnan(kept.values) & ~np.isnan(sent.values))
        for i in out.tolist():
            value = float(sent.values[i])
            reason = _NEGATIVE if value < 0 else _TOO_MUCH
            start = moment(int(sent.starts[i])).isoformat()
            yield Rejected(
                "",
                0,
                sent.serial,
                f"{value:g} at {start}",
                told(reason, channel=told(_CHANNELS[sent.channel])),
            )


def _joined(one: Question | None, other: Question) -> Question:
    if one is None:
        return other
    labels = dict(zip((*one.choices, *other.choices), (*one.labels, *other.labels), strict=True))
    parts = tuple({part.name: part for part in (*one.parts, *other.parts)}.values())
    if parts:
        likely = {part.name: part.proposed for part in parts if part.proposed}
        proposed = asking.joined(likely) if len(likely) == len(parts) else None
    else:
        proposed = one.proposed if one.proposed == other.proposed else None
    return replace(one, choices=tuple(labels), labels=tuple(labels.values()), proposed=proposed, parts=parts)


def _after(before: int, seen: Seen) -> Seen:
    return lambda amount: seen(before + amount)
