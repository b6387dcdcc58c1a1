"""From a table and what the record says to a proposal how to read it, with what must be asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import chain

from service.intake.export import columns as cols
from service.intake.export.around import (
    FIRST_ROWS,
    Said,
    measure_above,
    measure_around,
    prose,
    text_below,
    units_listed,
)
from service.intake.export.blocks import Row
from service.intake.export.dates import by_light, order_of
from service.intake.export.draft import Answers, Draft, checked_answers
from service.intake.export.intervals import by_label
from service.intake.export.layout import Layout, NoTimes, NotReadable, Value, layout_of
from service.intake.export.look import can_be_sorted, in_order, look_at
from service.intake.export.markers import markers_in, without
from service.intake.export.model import Guess, Known, Order, Proposal, Recipe
from service.intake.export.naming import Units, chosen
from service.intake.export.powers import outlasts
from service.intake.export.quantity import best_columns
from service.intake.export.rivals import of_what_was_made
from service.intake.export.settle_clock import settle_clock
from service.intake.export.settle_interval import is_irregular, laid_on, settle_interval, settle_steps
from service.intake.export.settle_numbers import numbers_of, tell_markers
from service.intake.export.settle_quantity import look_at_order, settle_quantity
from service.intake.export.survey import Survey, stamps, survey, traces
from service.intake.export.tables import Seen, Table
from service.intake.export.zones import Light
from service.intake.problems import FieldError, Refused, Told, told

__all__ = ["Answers", "checked_answers", "propose"]

NOTHING: Mapping[str, Guess] = {}


def propose(
    table: Table,
    known: Known,
    answers: Answers,
    seen: Seen = lambda _: None,
    beside: Sequence[Light] = (),
    shared: Mapping[str, Guess] = NOTHING,
    notes: Sequence[Sequence[Row]] = (),
) -> Proposal:
    """Return how to read the table; others of its kind show their light `beside`, or have settled what they share."""
    if table.refused:
        return Proposal(table.name, {}, refused=table.refused)
    draft = Draft(answers, beside=tuple(beside), shared=shared, notes=notes)
    if table.encoding:
        encoding = table.encoding.removesuffix("-sig")
        sure = 0.95 if encoding.startswith("utf") else 0.7
        draft.settle("encoding", Guess(encoding, sure, told("by its bytes")), None)
        draft.guesses["delimiter"] = (
            Guess(table.delimiter, 1.0, told("answered"))
            if "delimiter" in answers
            else Guess(table.delimiter, 0.95, told("it parts the lines evenly"))
        )
    found = survey(table, seen)
    listed = units_listed([*chain.from_iterable(notes), *found.head[:FIRST_ROWS]], known.serials)
    listed = listed or units_listed(found.tail, known.serials)
    units = Units(known, {**listed, **_said_units(answers, known)})
    try:
        recipe = _recipe(table, found, units, draft)
    except NotReadable as why:
        reason = _letters_too(why, found, table.encoding) if isinstance(why, NoTimes) else why.args[0]
        return Proposal(table.name, draft.guesses, refused=reason)
    return Proposal(
        table.name,
        draft.guesses,
        tuple(draft.questions),
        tuple(draft.warnings),
        recipe=recipe,
        light=draft.light,
        says=draft.says,
        is_said=draft.is_said,
    )


def _letters_too(why: NoTimes, found: Survey, encoding: str | None) -> Told:
    """Return why a table has no times, with what to do if its letters are not what they are taken for."""
    is_sure = encoding is None or encoding.startswith("utf")
    if is_sure or all(cell.isascii() for row in found.head[:FIRST_ROWS] for cell in row):
        return why.args[0]  # type: ignore[no-any-return]
    return told(
        "{why}; its letters were read as {encoding}: if they are others, say which (encoding)",
        why=why.args[0],
        encoding=encoding,
    )


def _said_units(answers: Answers, known: Known) -> Mapping[str, str]:
    try:
        return chosen(answers.get("units", ""), known)
    except ValueError as error:
        remedy = told(
            "{choice} is no unit of the record, nor the row and column of one", choice=error.args[0]
        )
        raise Refused([FieldError("units", remedy)]) from None


def _recipe(table: Table, found: Survey, units: Units, draft: Draft) -> Recipe:
    layout = layout_of(found.head, units, table.name, _header_row(table, draft))
    above, notes = layout.preamble, prose(draft.notes)
    layout = replace(layout, preamble="\n".join((above, text_below(found.tail), notes)))
    data = found.head[layout.first_row :]
    order = order_of(data, found.spread, layout, draft, units.known.now)
    coarse = cols.coarse_columns(data, layout)
    columns = best_columns(layout, coarse)[0]
    columns = of_what_was_made(layout, columns, coarse, data, stamps(data, layout, order), units, draft)
    names = _names(table, found, layout, columns, units, draft)
    unit = cols.measure_of(columns) or measure_above(above)
    cells = [*data[:4000], *found.spread[::3]]
    decimal, factors = numbers_of(
        table,
        cells,
        data,
        layout,
        order,
        columns,
        unit,
        cols.factor_beside(columns, above),
        units.known,
        draft,
    )
    marked = markers_in([*data, *found.spread], factors, decimal)
    if marked:
        tell_markers(marked, draft)
        data = without(data, factors, marked.keys())
        found = replace(found, spread=without(found.spread, factors, marked.keys()))

    def outlast(other: Order) -> bool | None:
        found = traces(data, stamps(data, layout, other), layout, factors, decimal)
        return outlasts(found, units.known)

    order = by_light(order, draft, outlast)
    look = look_at(data, found, layout, order, factors, decimal, names, units.known, draft)
    is_shuffled = can_be_sorted(look.head, found.rows * max(1, len(columns)))
    look = in_order(look, draft) if is_shuffled else look
    steps = settle_steps(look.head, draft)
    interval = settle_interval(look, steps, draft)
    steps = replace(steps, usual_s=interval * 60)
    said = (
        Said(unit)
        if unit
        else measure_around(found.tail, (table.title, table.name.rpartition("/")[2]), notes)
    )
    quantity = settle_quantity(look, columns, steps, units.known, draft, said or Said())
    look_at_order(quantity, columns, steps, draft)
    irregular = is_irregular(quantity, steps, draft)
    label, zone = settle_clock(look, quantity, steps, units.known, draft, irregular=irregular)
    return Recipe(
        first_row=layout.first_row,
        time_columns=layout.time_columns,
        order=order,
        zone=zone,
        label=label,
        interval_min=laid_on(interval) if irregular else interval,
        quantity=quantity,
        decimal=decimal,
        columns=(
            *cols.read_columns(layout, columns, factors),
            *cols.columns_beside(data, layout, columns, decimal, draft),
        ),
        serial_column=layout.serial_column,
        aliases=names if layout.serial_column is not None else {},
        newest_first=steps.newest_first,
        intervals={} if irregular else {n: by_label(c, label) for n, c in steps.changes.items()},
        irregular=irregular,
        is_shuffled=is_shuffled,
        meant=look.certain,
        dash=look.dash,
        markers=tuple(sorted({*marked.values()})),
        width=layout.width,
    )


def _names(
    table: Table, found: Survey, layout: Layout, columns: Sequence[Value], units: Units, draft: Draft
) -> dict[str, str]:
    """Return whom the columns' names mean, and tell of the layout and of the units."""
    cols.tell_layout(layout, [v for v in layout.values if v not in columns], draft)
    if table.is_reshaped:  # of which the file has no such row
        del draft.guesses["header_row"]
    rows = *found.head[layout.first_row :], *found.spread
    names = cols.names_of(layout, columns, rows, table.name, units, draft)
    cols.tell_units(layout, columns, names, units, draft)
    return names


def _header_row(table: Table, draft: Draft) -> int | None:
    """Return how many rows somebody said end with the headings; of a table that was reshaped it cannot be said."""
    if "header_row" not in draft.answers:
        return None
    if table.is_reshaped:
        draft.warnings.append(
            told(
                "the rows were laid out anew before they were read, so the answer about the headings is not used"
            )
        )
        return None
    return int(draft.answers["header_row"])
