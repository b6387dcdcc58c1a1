"""From a table and what the record says to a proposal how to read it, with what must be asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from itertools import chain

import numpy as np

from service.intake.export import columns as cols
from service.intake.export import dashes, words
from service.intake.export.abbreviations import meanings
from service.intake.export.around import (
    FIRST_ROWS,
    Said,
    measure_above,
    measure_around,
    prose,
    text_below,
    units_listed,
)
from service.intake.export.asking import asked, in_words
from service.intake.export.beam import clear_level
from service.intake.export.blocks import Row
from service.intake.export.cells import decimal_of
from service.intake.export.dates import by_light, order_of
from service.intake.export.doubts import doubts
from service.intake.export.draft import LONGEST_MIN, Answers, Draft, checked_answers, listed
from service.intake.export.due import Shares, shares, shown_end
from service.intake.export.intervals import Steps, by_label, evened, steps_of
from service.intake.export.label import (
    Shown,
    as_moments,
    by_days,
    by_noon,
    by_sun,
    said_label,
    settled,
    taken_as,
)
from service.intake.export.label import by_planes as label_by_planes
from service.intake.export.layout import Layout, NoTimes, NotReadable, Value, layout_of
from service.intake.export.markers import markers_in, without
from service.intake.export.model import QUANTITIES, Dash, Guess, Known, Order, Proposal, Question, Recipe
from service.intake.export.naming import Units, chosen
from service.intake.export.noon import outlasts_days
from service.intake.export.quantity import (
    NO_CLEAR_LEVEL,
    best_columns,
    by_size,
    factors_that_fit,
    fitting_quantities,
    level_of,
    quantity_of,
    runs_on,
    what_is_said,
)
from service.intake.export.rivals import of_what_was_made
from service.intake.export.scale import Factor
from service.intake.export.survey import Survey, Trace, stamps, survey, time_text, traces
from service.intake.export.tables import Seen, Table
from service.intake.export.times import DAY_S, Stamp, parse
from service.intake.export.zones import (
    Clockwork,
    Light,
    doubtful_zone,
    naive_zone,
    named_in,
    sign,
    zone_of,
)
from service.intake.fields import INTERVALS_MIN
from service.intake.problems import FieldError, Refused, Told, mark, told
from service.store.grids import IntArray

__all__ = ["Answers", "checked_answers", "propose"]

INTERVALS = tuple(map(str, INTERVALS_MIN))
NEGATIVE_SHARE = 0.9
ROWS_LOOKED_AT = 2000
NOTHING: Mapping[str, Guess] = {}
MOST_SORTED = 2_000_000
"""Values that are held to be sorted by time."""

MOST_ROWS, MANY_ROWS = 0.9, 0.02
"""Of the rows that say how long they last: so many are all but some at a gap, so few are these."""


_AGAINST = {
    "start": mark("the times are taken as starts of their intervals, but {why}"),
    "end": mark("the times are taken as ends of their intervals, but {why}"),
}


@dataclass(frozen=True)
class _Look:
    """The first rows of a table and what they say of each unit."""

    data: list[list[str]]
    layout: Layout
    order: Order
    stamps: list[Stamp]
    tail: list[Stamp]
    head: Mapping[str, Trace]
    spread: Mapping[str, Trace]
    dash: Dash
    meant: Mapping[str, frozenset[int]]
    """The offsets that short names of zones may mean, if times have any."""

    @property
    def certain(self) -> dict[str, int]:
        """Return what those names mean that mean one thing."""
        return {short: next(iter(offsets)) for short, offsets in self.meant.items() if len(offsets) == 1}


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
    said = Said(unit) if (unit := cols.measure_of(columns) or measure_above(above)) else None
    cells = [*data[:4000], *found.spread[::3]]
    decimal, factors = _numbers(table, cells, data, layout, order, columns, above, units.known, draft)
    marked = markers_in([*data, *found.spread], factors, decimal)
    if marked:
        _tell_markers(marked, draft)
        data = without(data, factors, marked.keys())
        found = replace(found, spread=without(found.spread, factors, marked.keys()))

    def outlast(other: Order) -> bool | None:
        found = traces(data, stamps(data, layout, other), layout, factors, decimal)
        return _outlasts_days(found, units.known)

    order = by_light(order, draft, outlast)
    look = _look(data, found, layout, order, factors, decimal, names, units.known, draft)
    is_shuffled = _can_be_sorted(look.head) and found.rows * max(1, len(columns)) <= MOST_SORTED
    look = _in_order(look, draft) if is_shuffled else look
    steps = _steps(look.head, draft)
    interval = _interval(look, steps, draft)
    steps = replace(steps, usual_s=interval * 60)
    said = said or measure_around(found.tail, (table.title, table.name.rpartition("/")[2]), notes)
    quantity = _quantity(look, columns, steps, units.known, draft, said or Said())
    _look_at_order(quantity, columns, steps, draft)
    irregular = _is_irregular(quantity, steps, draft)
    label, zone = _label_and_zone(look, quantity, steps, units.known, draft, irregular=irregular)
    return Recipe(
        first_row=layout.first_row,
        time_columns=layout.time_columns,
        order=order,
        zone=zone,
        label=label,
        interval_min=_laid_on(interval) if irregular else interval,
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


def _look(
    data: list[list[str]],
    found: Survey,
    layout: Layout,
    order: Order,
    factors: Mapping[int, float],
    decimal: str,
    names: Mapping[str, str],
    known: Known,
    draft: Draft,
) -> _Look:
    stamped = stamps(data, layout, order)

    def told_of(rows: list[list[str]], at: list[Stamp | None]) -> dict[str, Trace]:
        by_name = traces(rows, at, layout, factors, decimal, with_dashes=True).items()
        return {names.get(name, name): trace for name, trace in by_name if names.get(name) != ""}

    everywhere = stamps(found.spread, layout, order)
    with_dashes = told_of(data, stamped)
    dash, without = dashes.read_as(with_dashes, known, draft)
    head, all_over = without(with_dashes), without(told_of(found.spread, everywhere))
    if not any(t.naive.size for t in head.values()):
        raise NotReadable(told("no row has a time and a number"))
    every = np.concatenate([t.values for t in head.values()])
    if np.count_nonzero(every < 0) > NEGATIVE_SHARE * np.count_nonzero(every):
        raise NotReadable(told("its values are negative; export what was made as positive numbers"))
    last = [r for r in found.tail if any(i < len(r) and not words.is_missing(r[i]) for i in factors)]
    timed, tail = ([s for s in each if s is not None] for each in (stamped, stamps(last, layout, order)))
    meant = _meant(known.zone, (*stamped, *everywhere))
    look = _Look(data, layout, order, timed, tail, head, all_over, dash, meant)
    return replace(look, stamps=[s.where(look.certain) for s in timed])


def _can_be_sorted(head: Mapping[str, Trace]) -> bool:
    """Return whether rows stand in no order of time, and no time has two values of one unit."""
    steps = steps_of(head)
    if steps is None or any(map(_contradictions, head.values())):
        return False
    return steps.is_shuffled or any(t.is_behind(newest_first=steps.newest_first) for t in head.values())


def _in_order(look: _Look, draft: Draft) -> _Look:
    """Return what is seen once the rows are sorted by time, and say that they are."""
    draft.warnings.append(told("its rows stand in no order of time, and were sorted by it"))
    return replace(
        look,
        head={name: trace.in_order() for name, trace in look.head.items()},
        spread={name: trace.in_order() for name, trace in look.spread.items()},
    )


def _meant(zone: str, stamped: Sequence[Stamp | None]) -> Mapping[str, frozenset[int]]:
    found = [s for s in stamped if s is not None]
    years = {datetime.fromtimestamp(day, UTC).year for day in {s.day for s in found if s.day is not None}}
    return meanings(zone, years) if any(s.zone for s in found) else {}


def _outlasts_days(found: Mapping[str, Trace], known: Known) -> bool | None:
    """Return whether the light of the rows is longer than the days are, None where they do not show it."""
    steps = steps_of(found)
    counter = runs_on(found, newest_first=steps.newest_first) if steps else None
    if steps is None or counter is None:
        return None
    power = _power(found, "counter_wh" if counter else "power_w", steps)
    clock = Clockwork(zone_of(known.zone))
    return outlasts_days(power.values(), clock.utc, known.longitude, known.latitude, steps.usual_s)


# Numbers, intervals, quantity


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


def _numbers(
    table: Table,
    cells: list[Row],
    data: list[Row],
    layout: Layout,
    order: Order,
    columns: Sequence[Value],
    above: str,
    known: Known,
    draft: Draft,
) -> tuple[str, dict[int, float]]:
    """Return the sign before fractions, and what makes each column's numbers those of the unit of measure."""
    decimal, factors = _decimal(table, cells, columns, draft), cols.factors_of(columns)
    unit = cols.measure_of(columns) or measure_above(above)
    if draft.is_open("decimal"):
        decimal = _decimal_by_size(data, layout, order, factors, unit, known, draft) or decimal
    factor = cols.factor_beside(columns, above)
    if factor is None:
        return decimal, factors
    trial = traces(data, stamps(data, layout, order), layout, factors, decimal)
    times = _times_factor(factor, trial, unit, known, draft)
    return decimal, {column: times * own for column, own in factors.items()}


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


def _tell_markers(marked: Mapping[str, float], draft: Draft) -> None:
    known = draft.guesses["missing"]
    draft.guesses["missing"] = replace(known, value=[*known.value, *sorted(marked)])
    draft.warnings.append(
        told(
            "{markers} comes again and again, far above all other numbers: it was taken for no value",
            markers=listed(sorted(marked)),
        )
    )


def _look_at_twins(head: Mapping[str, Trace], draft: Draft) -> None:
    """Refuse hours 1 to 12 of which none can say whether they are before noon; tell of other times that come twice."""
    times = [t.naive for t in head.values() if t.naive.size]
    twins, count = sum(t.size - np.unique(t).size for t in times), sum(t.size for t in times)
    hours = np.unique(np.concatenate(times) // 3600 % 24)
    if twins > 0.2 * count and hours.min() >= 1 and hours.max() <= 12:
        raise NotReadable(
            told("its hours go from 1 to 12 twice a day without AM or PM; export them with these, or 0 to 24")
        )
    if sum(map(_contradictions, head.values())) > 0.2 * count:
        raise NotReadable(
            told("one time has several values of one unit; it may hold units that it does not tell apart")
        )
    if twins > 0.02 * count:
        draft.warnings.append(
            told(
                "{twins} of {count} times come twice for one unit; the later row counts",
                twins=twins,
                count=count,
            )
        )


def _contradictions(trace: Trace) -> int:
    """Return how many times have more than one value."""
    return (
        len(set(zip(trace.naive.tolist(), trace.values.tolist(), strict=True))) - np.unique(trace.naive).size
    )


def _steps(head: Mapping[str, Trace], draft: Draft) -> Steps:
    _look_at_twins(head, draft)
    steps = steps_of(head)
    if steps is None and "interval_min" in draft.shared:
        return Steps(60 * int(draft.shared["interval_min"].value), 0.0, 0, newest_first=False)
    if steps is None and "interval_min" not in draft.answers:
        draft.questions.append(asked("interval_min", INTERVALS, told("no unit has two readings")))
    return steps or Steps(300, 0.0, 0, newest_first=False)


def _interval(look: _Look, steps: Steps, draft: Draft) -> int:
    minutes = _said_minutes(look, steps) or steps.usual_s / 60
    if minutes > LONGEST_MIN and "interval_min" not in draft.answers:
        raise NotReadable(_too_far_apart(minutes))
    why = told(
        "{share} % of the steps are of {step} min", share=f"{100 * steps.share:.0f}", step=f"{minutes:g}"
    )
    sure = steps.is_regular and steps.count >= 3 and minutes == round(minutes)
    likely = str(max(1, round(minutes)))
    question = None if sure or not steps.count else asked("interval_min", INTERVALS, why, likely)
    guess = Guess(likely, steps.share if sure else 0.5, why)
    if not steps.count:
        guess = draft.shared.get("interval_min", guess)
    if len(steps.minutes) > 1 and "interval_min" not in draft.answers:
        several = ", ".join(map(str, steps.minutes))
        draft.warnings.append(
            told("there are intervals of {several} min; each value counts for its own", several=several)
        )
    if question and "interval_min" not in draft.answers:  # rows of no interval are not those of other tables
        draft.guesses["interval_min"] = guess
        draft.questions.append(question)
        return int(likely)
    return int(draft.settle("interval_min", guess, question))


def _too_far_apart(minutes: float) -> str:
    if minutes >= DAY_S / 60:
        return told(
            "it has one value a day, and energies of whole days prove nothing of a single unit; "
            "export values of an hour or less"
        )
    return told(
        "its readings are {minutes} min apart, and proof needs an hour or less; export finer ones",
        minutes=f"{minutes:g}",
    )


def _said_minutes(look: _Look, steps: Steps) -> float | None:
    """Return the minutes that most rows say that they cover; NotReadable where these change from row to row."""
    said = Counter(_from_ends(look) or _from_durations(look))
    if not said:
        return None
    minutes, count = said.most_common(1)[0]
    several = {m for m, n in said.items() if n > MANY_ROWS * said.total()}
    if count < MOST_ROWS * said.total() and not several <= set(steps.minutes):
        raise NotReadable(
            told(
                "its rows cover times of different lengths ({several} min), one after the other; "
                "export values of one interval",
                several=", ".join(f"{m:g}" for m in sorted(several)),
            )
        )
    return minutes if count >= MOST_ROWS * said.total() else None


def _from_ends(look: _Look) -> list[float]:
    """Return the minutes from start to end in the first rows, where a table has both."""
    columns, end_column = look.layout.time_columns, look.layout.end_column
    if end_column is None:
        return []
    starts, ends = (
        [parse(time_text(row, which), look.order) for row in look.data[:ROWS_LOOKED_AT]]
        for which in (columns, (*columns[:-1], end_column))
    )
    found = [((e.naive - s.naive) % DAY_S) / 60 for s, e in zip(starts, ends, strict=True) if s and e]
    return [minutes for minutes in found if minutes]


def _from_durations(look: _Look) -> list[float]:
    """Return the minutes in a column that says how long rows last, and in what."""
    headings = look.layout.headings
    told_in = [(i, m) for i, heading in enumerate(headings) if (m := words.DURATION.search(heading))]
    if len(told_in) != 1:
        return []
    column, unit = told_in[0][0], told_in[0][1][2].lower()
    cells = [row[column].strip() for row in look.data[:ROWS_LOOKED_AT] if len(row) > column]
    return [int(c) / (60 if unit[0] == "s" else 1) for c in cells if c.isdecimal() and int(c)]


def _quantity(
    look: _Look, columns: Sequence[Value], steps: Steps, known: Known, draft: Draft, said: Said
) -> str:
    headings, unit = " ".join([*dict.fromkeys(c.heading for c in columns), said.text]), said.unit
    draft.says = what_is_said(headings, unit)
    own = [cols.without_serial(column) for column in columns]
    draft.is_said = any(any(what_is_said(heading, words.unit_of(heading))) for heading in own)
    values = evened(look.head, steps)

    def beside(quantity: str) -> Shares | None:
        return shares(_watts(look.head, quantity, steps), known)

    @cache
    def level() -> float | None:
        return clear_level(_watts(look.head, "power_w", steps), known)

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


def _look_at_order(quantity: str, columns: Sequence[Value], steps: Steps, draft: Draft) -> None:
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


def _is_irregular(quantity: str, steps: Steps, draft: Draft) -> bool:
    """Return whether the values are powers at moments of any distance; what they say between is laid into intervals."""
    if not quantity.startswith("power") or steps.is_regular or steps.count < 3:
        return False
    if "interval_min" in draft.answers or steps.keeps_to_a_grid:
        return False
    laid_on = _laid_on(steps.usual_s // 60)
    draft.close("interval_min", Guess(str(laid_on), 0.85, told("the times keep to no interval")))
    draft.warnings.append(
        told(
            "the times keep to no interval; the power between them is laid into {minutes} min",
            minutes=laid_on,
        )
    )
    return True


def _laid_on(minutes: int) -> int:
    return next((kept for kept in INTERVALS_MIN if kept >= 2 * minutes), INTERVALS_MIN[-1])


def _power(found: Mapping[str, Trace], quantity: str, steps: Steps) -> dict[str, Trace]:
    """Return traces that rise and fall with the light, whatever the quantity."""
    if quantity.startswith("energy"):
        found = evened(found, steps)
    order = -1 if steps.newest_first else 1
    is_counter = quantity.startswith("counter")
    return {s: _rates(t, order) if is_counter else Trace(t.naive[::order], t.values[::order])
            for s, t in found.items() if t.naive.size > 1}  # fmt: skip


def _watts(found: Mapping[str, Trace], quantity: str, steps: Steps) -> dict[str, Trace]:
    """Return powers in W if the values are of that quantity; those of a counter in the middle of their steps."""
    hours = steps.usual_s / 3600 if quantity.startswith("energy") else 1.0
    factor = QUANTITIES[quantity] / hours
    return {s: Trace(t.naive, t.values * factor) for s, t in _power(found, quantity, steps).items()}


def _rates(trace: Trace, order: int) -> Trace:
    times, values = trace.naive[::order], trace.values[::order]
    hours = (times[1:] - times[:-1]) / 3600
    sound = (hours > 0) & (hours < 3)
    rates = (values[1:] - values[:-1])[sound] / hours[sound]
    return Trace(((times[1:] + times[:-1]) // 2)[sound], rates.clip(min=0))


# Zone and label


def _label_and_zone(
    look: _Look, quantity: str, steps: Steps, known: Known, draft: Draft, *, irregular: bool
) -> tuple[str, str | None]:
    """Settle both: days that are cut at midnight show the label, with it the light shows the zone, or the other way."""
    is_counter = quantity.startswith("counter")
    heading = " ".join(look.layout.headings[i] for i in look.layout.time_columns)
    has_end = look.layout.end_column is not None
    said = said_label(heading, look.layout.preamble, has_end_column=has_end, is_counter=is_counter)
    if irregular:
        said = Guess("end", 0.95, told("each time is a moment"))

    shifts, own = _shifts_min(quantity, steps, irregular=irregular), _light(look, quantity, steps, known)
    every = own.joined(draft.beside)

    def light_of(label: str | None) -> Light:
        chosen_ones = (shifts[label],) if label else (shifts["end"], shifts["start"])
        draft.light = replace(own, shifts_min=chosen_ones)
        half = 0.0 if irregular else steps.usual_s / 120
        return replace(every, shifts_min=chosen_ones, half_min=half)

    sure = draft.answers.get("label") or (said.value if said else None)
    likely = _likely_zone(look, light_of(sure), draft)[0]
    has_24 = any(s.second == DAY_S for s in look.stamps)
    edges = _edge_steps(look, steps)
    days = by_days(_clocks(look, likely, known), edges, is_counter=is_counter, has_24=has_24)
    light = light_of(sure or (days.label if days else None))
    likely, certain, is_open = _likely_zone(look, light, draft)
    by_light = (
        []
        if irregular or is_open  # under a wrong zone the sun shows a wrong label
        else _by_light(light_of, likely, steps, is_counter=is_counter, certain=certain)
    )

    def by_planes(guess: Guess, question: Question) -> tuple[Guess, Question | None]:
        if irregular or draft.is_open("quantity", "day_first", "interval_min"):
            return guess, question
        if is_open:
            return as_moments(guess, question) if is_counter else (guess, question)
        watts = _watts(look.head, quantity, steps)
        if is_counter:  # its rates stand in the middle, half a step before the time that showed them
            watts = {s: Trace(t.naive + steps.usual_s // 2, t.values) for s, t in watts.items()}
        shown = shown_end(watts, known, Clockwork(zone_of(likely)).utc, steps.usual_s)
        found = label_by_planes(shown, steps.usual_s // 60, guess, question)
        return as_moments(*found) if is_counter else found

    label = _label(said, days, by_light, draft, by_planes, is_counter=is_counter)
    light = light_of(None if draft.is_open("label") else label)
    zone = _zone(look, light, draft)
    if not draft.is_open("timezone", "quantity", "label", "day_first", "interval_min", "units"):
        interval = None if irregular else steps.usual_s // 60
        draft.warnings += doubts(light, zone or _offset_zone(look, known), quantity, interval)
    return label, zone


def _likely_zone(look: _Look, light: Light, draft: Draft) -> tuple[str, bool, bool]:
    """Return the zone that the times are of as far as it shows, whether it is said, and whether it is to be asked."""
    if all(s.offset is not None for s in look.stamps):
        return _offset_zone(look, light.known), True, False
    if "timezone" in draft.answers:
        return draft.answers["timezone"], True, False
    headings = _headings(look)
    guess, question = _naive_zone(light, look, draft)
    likely = (question.proposed if question else None) or str(guess.value)
    return likely, named_in(headings) is not None, question is not None


def _by_light(
    light_of: Callable[[str | None], Light], zone: str, steps: Steps, *, is_counter: bool, certain: bool
) -> list[Shown | None]:
    """Return what sunrise, sunset and, of a certain zone, the middle of the light show of the label."""
    found = [by_sun(light_of(None).spans(zone), steps.usual_s, is_counter=is_counter)]
    if certain:
        found.append(by_noon(light_of("start").late(zone), light_of("end").late(zone), steps.usual_s))
    return found


def _label(
    said: Guess | None,
    days: Shown | None,
    light: Sequence[Shown | None],
    draft: Draft,
    by_planes: Callable[[Guess, Question], tuple[Guess, Question | None]],
    *,
    is_counter: bool,
) -> str:
    if said is not None:
        label = draft.settle("label", said, None)
    else:
        guess, question = settled(days, light, is_counter=is_counter)
        if question is not None and "label" not in draft.answers:
            guess, question = by_planes(guess, question)
        label = draft.settle("label", guess, question)
        if "label" not in draft.answers and not draft.is_open("label"):
            draft.warnings.append(taken_as(draft.guesses["label"]))
    against = [s for s in light if s is not None and label in _AGAINST and s.label != label]
    if against and not draft.is_open("label"):
        draft.warnings.append(told(_AGAINST[label], why=against[0].why))
    return label


def _clocks(look: _Look, zone: str, known: Known) -> list[IntArray]:
    """Return the first and last time on the clocks by which the file may have cut its days: its own, and the site's."""
    trace = max(look.head.values(), key=lambda t: t.naive.size)
    naive = [*trace.naive.tolist(), *(s.naive for s in look.tail if s.second is not None)]
    ends = np.array([min(naive), max(naive)])
    utc = Clockwork(zone_of(zone)).utc(ends)
    return [ends, utc + Clockwork(zone_of(known.zone)).offset_at(utc)]


def _edge_steps(look: _Look, steps: Steps) -> tuple[int, int]:
    """Return the intervals with which the rows begin and end, in seconds."""
    longest = max(look.head, key=lambda name: look.head[name].naive.size)
    changes = steps.changes.get(longest)
    return (60 * changes[0][1], 60 * changes[-1][1]) if changes else (steps.usual_s, steps.usual_s)


def _light(look: _Look, quantity: str, steps: Steps, known: Known) -> Light:
    powers = [_power(found, quantity, steps) for found in (look.head, look.spread)]
    return Light(powers[0], powers[1], known, labels=tuple(look.head.values()))


def _shifts_min(quantity: str, steps: Steps, *, irregular: bool) -> dict[str, float]:
    """Return for each label by how much the middle of its interval is later."""
    half = 0.0 if irregular else steps.usual_s / 120
    if quantity.startswith("counter"):  # its power stands in the middle already, if a time is the end
        return {"end": 0.0, "middle": half, "start": 2 * half}
    return {"end": -half, "middle": 0.0, "start": half}


def _zone(look: _Look, light: Light, draft: Draft) -> str | None:
    with_offset = sum(s.offset is not None for s in look.stamps)
    if with_offset == len(look.stamps):
        if "timezone" in draft.answers:
            draft.warnings.append(
                told("every time has its own offset from UTC, so the answer about their zone is not used")
            )
        why = told("every time has its offset from UTC")
        draft.guesses["timezone"] = Guess(told("as in each time"), 0.98, why)
        _warn_of_light(look, light, draft)
        return None
    if with_offset:
        draft.warnings.append(told("some times have an offset from UTC and some have none"))
    headings = _headings(look)
    zone = draft.settle("timezone", *_naive_zone(light, look, draft))
    if "timezone" in draft.answers:
        _warn_of_zone(zone, light, draft)
    elif zone != light.known.zone and not draft.is_open("timezone") and named_in(headings) is None:
        found = draft.guesses["timezone"].why
        draft.warnings.append(told("the times were taken as those of {zone}: {why}", zone=zone, why=found))
    return zone


def _naive_zone(light: Light, look: _Look, draft: Draft) -> tuple[Guess, Question | None]:
    if "timezone" in draft.shared:
        return draft.shared["timezone"], None
    doubtful = {s.zone for s in look.stamps if s.zone and s.offset is None}
    if doubtful:
        return doubtful_zone(light, {short: look.meant[short] for short in sorted(doubtful)})
    return naive_zone(light, _headings(look))


def _headings(look: _Look) -> str:
    return " ".join([*(look.layout.headings[i] for i in look.layout.time_columns), look.layout.preamble])


def _warn_of_zone(zone: str, light: Light, draft: Draft) -> None:
    late = light.late(zone)
    if late is not None and abs(late) > light.largest_late_min:
        draft.warnings.append(
            told("in {zone} the light is {minutes} min off solar noon", zone=zone, minutes=f"{abs(late):.0f}")
        )
    elif not light.keeps_changes(zone):
        draft.warnings.append(
            told("the times do not change as the clock of {zone} does between summer and winter", zone=zone)
        )


def _warn_of_light(look: _Look, light: Light, draft: Draft) -> None:
    late = [light.late(sign(o)) for o in {s.offset for s in look.stamps} if o is not None]
    if late and all(found is not None and abs(found) > light.largest_late_min for found in late):
        draft.warnings.append(
            told(
                "by their offsets the light is {minutes} min off solar noon; the offsets may be wrong",
                minutes=f"{abs(late[0] or 0):.0f}",
            )
        )


def _offset_zone(look: _Look, known: Known) -> str:
    """Return a zone that the offsets of the times are of: the site's, or the first's."""
    clock = Clockwork(zone_of(known.zone))
    if all(s.offset in clock.offsets(s.naive) for s in look.stamps[:: max(1, len(look.stamps) // 200)]):
        return known.zone
    return sign(look.stamps[0].offset or 0)
