"""How a table writes its numbers: the sign before fractions, a factor beside its unit, a number that means none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from service.intake.export import columns as cols
from service.intake.export import words
from service.intake.export.asking import asked, in_words
from service.intake.export.blocks import Row
from service.intake.export.cells import decimal_of
from service.intake.export.draft import Draft, listed
from service.intake.export.intervals import steps_of
from service.intake.export.layout import Layout, NotReadable, Value
from service.intake.export.model import Guess, Known, Order
from service.intake.export.quantity import factors_that_fit
from service.intake.export.scale import Factor
from service.intake.export.survey import Trace, stamps, traces
from service.intake.export.tables import Table
from service.intake.problems import told


def numbers_of(
    table: Table,
    cells: list[Row],
    data: list[Row],
    layout: Layout,
    order: Order,
    columns: Sequence[Value],
    unit: str | None,
    factor: Factor | None,
    known: Known,
    draft: Draft,
) -> tuple[str, dict[int, float]]:
    """Return the sign before fractions, and what makes each column's numbers those of the unit of measure.

    `factor` is what stands beside that unit.
    """
    decimal, factors = _decimal(table, cells, columns, draft), cols.factors_of(columns)
    if draft.is_open("decimal"):
        decimal = _decimal_by_size(data, layout, order, factors, unit, known, draft) or decimal
    if factor is None:
        return decimal, factors
    trial = traces(data, stamps(data, layout, order), layout, factors, decimal)
    times = _times_factor(factor, trial, unit, known, draft)
    return decimal, {column: times * own for column, own in factors.items()}


def _decimal(table: Table, rows: list[list[str]], columns: Sequence[Value], draft: Draft) -> str:
    cells = {r[c.index] for r in rows for c in columns if len(r) > c.index}
    markers = sorted({c.strip() for c in cells if words.is_missing(c)})
    draft.guesses["missing"] = Guess(markers, 0.9, told("cells like these say that there is no value"))
    found, why = decimal_of(cells)
    if found is None and table.delimiter == "," and not any("," in c for c in cells):
        found, why = ".", told("commas part the cells")
    guess = Guess({",": "comma", ".": "point"}.get(found or ""), 0.97 if found else 0.5, why)
    question = None if found else asked("decimal", ("point", "comma"), why)
    return "," if draft.settle("decimal", guess, question) == "comma" else "."


def _decimal_by_size(
    data: list[list[str]],
    layout: Layout,
    order: Order,
    factors: Mapping[int, float],
    unit: str | None,
    known: Known,
    draft: Draft,
) -> str | None:
    """Return the only decimal sign with which values are those of such inverters: the other makes a thousand of one."""
    stamped, fitting = stamps(data, layout, order), []
    for decimal, name in ((".", "point"), (",", "comma")):
        found = traces(data, stamped, layout, factors, decimal)
        steps = steps_of(found)
        if unit and steps and factors_that_fit((1.0,), found, unit, steps, known):
            fitting.append((decimal, name))
    if len(fitting) != 1:
        return None
    ((decimal, name),) = fitting
    why = told("only so the values are such as the inverters on record give")
    draft.close("decimal", Guess(name, 0.85, why))
    draft.warnings.append(
        told(
            "which sign stands before fractions was taken from the inverters on record: {sign}",
            sign=in_words("decimal", [name]),
        )
    )
    return decimal


def _times_factor(
    factor: Factor, found: Mapping[str, Trace], unit: str | None, known: Known, draft: Draft
) -> float:
    """Return what values are multiplied by: what a factor beside their unit says, if the ratings bear it out."""
    steps = steps_of(found)
    fitting = factors_that_fit(factor.either, found, unit, steps, known) if steps else []
    if len(fitting) != 1:
        raise NotReadable(
            told(
                "a factor stands beside its unit of measure ({factors}), and the ratings on record do not bear it out; "
                "export W, kW, Wh or kWh",
                factors=", ".join(f"{one:g}" for one in factor.either),
            )
        )
    draft.warnings.append(
        told("values were multiplied by {factor}, as their unit of measure says", factor=f"{fitting[0]:g}")
    )
    return fitting[0]


def tell_markers(marked: Mapping[str, float], draft: Draft) -> None:
    known = draft.guesses["missing"]
    draft.guesses["missing"] = replace(known, value=[*known.value, *sorted(marked)])
    draft.warnings.append(
        told(
            "{markers} comes again and again, far above all other numbers: it was taken for no value",
            markers=listed(sorted(marked)),
        )
    )
