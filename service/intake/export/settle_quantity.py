"""What a table's values are: powers, energies or a counter, and in which unit of measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from service.intake.export import columns as cols
from service.intake.export import words
from service.intake.export.around import Said
from service.intake.export.asking import in_words
from service.intake.export.beam import clear_level
from service.intake.export.draft import Draft
from service.intake.export.due import Shares, shares
from service.intake.export.intervals import Steps, evened
from service.intake.export.layout import NotReadable, Value
from service.intake.export.look import Look
from service.intake.export.model import Known
from service.intake.export.powers import watts_of
from service.intake.export.quantity import (
    NO_CLEAR_LEVEL,
    by_size,
    fitting_quantities,
    level_of,
    quantity_of,
    what_is_said,
)
from service.intake.problems import told


def settle_quantity(
    look: Look, columns: Sequence[Value], steps: Steps, known: Known, draft: Draft, said: Said
) -> str:
    """Return the quantity, by what is said of the values and by their size."""
    headings, unit = " ".join([*dict.fromkeys(c.heading for c in columns), said.text]), said.unit
    draft.says = what_is_said(headings, unit)
    own = [cols.without_serial(column) for column in columns]
    draft.is_said = any(any(what_is_said(heading, words.unit_of(heading))) for heading in own)
    values = evened(look.head, steps)

    def beside(quantity: str) -> Shares | None:
        return shares(watts_of(look.head, quantity, steps), known)

    @cache
    def level() -> float | None:
        return clear_level(watts_of(look.head, "power_w", steps), known)

    guess, question = quantity_of(headings, unit, values, steps, known, beside, level)
    if said.why and question is None:
        guess = replace(guess, confidence=min(guess.confidence, 0.85), why=said.why)
    chosen_one = draft.settle("quantity", guess, question)
    fitting = fitting_quantities(values, steps, known)
    is_said = said.why is None and unit is not None and chosen_one.endswith(f"_{unit}")
    if not (is_said or "quantity" in draft.answers or draft.is_open("quantity")):
        taken, why = in_words("quantity", [chosen_one]), draft.guesses["quantity"].why
        draft.warnings.append(
            told(
                "the values were taken as {taken}: {why}. If they are not, choose what they are (quantity)",
                taken=taken,
                why=why,
            )
        )
    share = None if draft.is_open("quantity") else level_of(chosen_one, steps, level)
    if share is not None and not NO_CLEAR_LEVEL[0] < share < NO_CLEAR_LEVEL[1]:
        draft.warnings.append(
            told(
                "on days whose curves show the sun a unit has {share} % of a clear sky's light so; what the values are "
                "(quantity), or the record, may be wrong",
                share=f"{100 * share:.0f}",
            )
        )
    if "quantity" in draft.answers and chosen_one not in fitting:
        draft.warnings.append(
            told(
                "as {chosen} the values are not what such inverters give; {by_size}",
                chosen=in_words("quantity", [chosen_one]),
                by_size=by_size(fitting),
            )
        )
    return chosen_one


def look_at_order(quantity: str, columns: Sequence[Value], steps: Steps, draft: Draft) -> None:
    """Refuse counters whose rows could not be sorted."""
    if steps.is_shuffled and _may_count(quantity, columns, draft):
        raise NotReadable(
            told(
                "its rows stand in no order of time, by which alone a counter can be read, and are too many or "
                "contradict each other; sort them by time"
            )
        )


def _may_count(quantity: str, columns: Sequence[Value], draft: Draft) -> bool:
    """Return whether values are those of a counter, or their headings say so and nothing else shows."""
    said = any(words.COUNTER.search(column.heading) for column in columns)
    return quantity.startswith("counter") or (said and draft.is_open("quantity"))
