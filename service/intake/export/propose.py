"""From a table and what the record says to a proposal how to read it, with what must be asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from service.intake.export import words
from service.intake.export.asking import asked
from service.intake.export.cells import Serials, decimal_of
from service.intake.export.layout import Layout, NotReadable, Value, layout_of, named_column
from service.intake.export.model import QUANTITIES, Column, Guess, Known, Order, Proposal, Question, Recipe
from service.intake.export.quantity import Steps, best_columns, fitting_quantities, quantity_of, steps_of
from service.intake.export.survey import Survey, Trace, stamps, survey, time_text, traces
from service.intake.export.tables import Seen, Table
from service.intake.export.times import depends_on_order, parse
from service.intake.export.zones import LARGEST_LATENESS_MIN, Light, naive_zone, zone_of
from service.intake.problems import FieldError, Refused, told

KEYS = ("timezone", "day_first", "label", "quantity", "interval_min", "decimal")
LONGEST_MIN = 60
DAY_S = 86_400
_ORDERS: Mapping[str, Order] = {"true": "dmy", "false": "mdy", "year_first": "ymd"}
_WORDS = {"dmy": "true", "mdy": "false", "ymd": "year_first"}

Answers = Mapping[str, str]


@dataclass
class _Draft:
    """Gathers what is found about one table."""

    answers: Answers
    guesses: dict[str, Guess] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def settle(self, key: str, guess: Guess, question: Question | None) -> str:
        """Take an answer before a guess, and keep the question if there is none."""
        if key in self.answers:
            guess, question = Guess(self.answers[key], 1.0, told("answered")), None
        self.guesses[key] = guess
        if question:
            self.questions.append(question)
        return str(guess.value)


def checked_answers(answers: Answers) -> Answers:
    """Return the answers; Refused where a key is unknown or a value cannot be one."""
    errors = [
        FieldError(key, told("is not a question; known: {keys}", keys=", ".join(KEYS)))
        for key in answers
        if key not in KEYS
    ]
    allowed = {
        "day_first": tuple(_ORDERS),
        "label": ("start", "end"),
        "quantity": tuple(QUANTITIES),
        "decimal": ("point", "comma"),
        "interval_min": tuple(map(str, range(1, LONGEST_MIN + 1))),
    }
    for key, values in allowed.items():
        if key in answers and answers[key] not in values:
            shown = "1 to 60" if key == "interval_min" else ", ".join(values)
            errors.append(FieldError(key, told("must be one of: {choices}", choices=shown)))
    if "timezone" in answers:
        try:
            zone_of(answers["timezone"])
        except ValueError:
            errors.append(FieldError("timezone", told("must be a zone such as Europe/Berlin, UTC or +01:00")))
    if errors:
        raise Refused(errors)
    return answers


def propose(table: Table, known: Known, answers: Answers, seen: Seen = lambda _: None) -> Proposal:
    """Return how the table is to be read."""
    draft = _Draft(answers)
    if table.encoding:
        draft.guesses["encoding"] = Guess(
            table.encoding.removesuffix("-sig"), _surety(table.encoding), told("its bytes")
        )
        draft.guesses["delimiter"] = Guess(table.delimiter, 0.95, told("it parts the lines evenly"))
    try:
        recipe = _recipe(table, survey(table, seen), known, draft)
    except NotReadable as why:
        return Proposal(table.name, draft.guesses, refused=why.args[0])
    return Proposal(table.name, draft.guesses, tuple(draft.questions), tuple(draft.warnings), None, recipe)


def _surety(encoding: str) -> float:
    return 0.95 if encoding.startswith("utf") else 0.7


def _recipe(table: Table, found: Survey, known: Known, draft: _Draft) -> Recipe:
    serials = Serials(known.serials)
    layout = layout_of(found.head, serials, table.name)
    columns, left = best_columns(layout)
    _tell_layout(layout, columns, left, serials, draft)
    data = found.head[layout.first_row :]
    order = _order(data, found.spread, layout, draft)
    decimal = _decimal(table, [*data[:4000], *found.spread[::3]], columns, draft)
    indices = [c.index for c in columns]
    head = traces(data, layout, indices, order, decimal)
    spread = traces(found.spread, layout, indices, order, decimal)
    _look_at_twins(head, draft)
    steps = _steps(head, draft)
    interval = _interval(data, layout, order, steps, draft)
    quantity = _quantity(layout, columns, head, Steps(interval * 60, 1, 1, steps.newest_first), known, draft)
    label = _label(layout, quantity, data, order, interval, draft)
    powers = [_power(found, quantity, newest_first=steps.newest_first) for found in (head, spread)]
    light = Light(
        powers[0], powers[1], known, _shifts(label, quantity, interval, draft), tuple(head.values())
    )
    zone = _zone(data, layout, order, light, draft)
    return Recipe(
        layout.first_row,
        layout.time_columns,
        order,
        zone,
        label,
        interval,
        quantity,
        decimal,
        tuple(Column(c.index, None if layout.serial_column is not None else c.serial) for c in columns),
        layout.serial_column,
        newest_first=steps.newest_first,
    )


# Layout


def _tell_layout(
    layout: Layout, columns: Sequence[Value], left: Sequence[str], serials: Serials, draft: _Draft
) -> None:
    wide = layout.serial_column is None
    why = told("the rows with times begin after it")
    draft.guesses["header_row"] = Guess(layout.first_row, 0.95, why)
    shape, why = ("wide", told("a column per unit")) if wide else ("long", told("rows name units"))
    draft.guesses["shape"] = Guess(shape, 0.95, why)
    names = [named_column(layout.headings, i) for i in layout.time_columns]
    draft.guesses["time_columns"] = Guess(names, 0.95, told("all their cells are times"))
    shown = {named_column(layout.headings, c.index): c.serial or told("named in each row") for c in columns}
    draft.guesses["units"] = Guess(shown, 0.95, told("serials of the record"))
    draft.warnings += layout.warnings
    ignored = [*left, *layout.ignored]
    if ignored:
        draft.warnings.append(told("these columns are not read: {names}", names=", ".join(ignored)))
    if layout.lost:
        lost = ", ".join(layout.lost)
        draft.warnings.append(
            told("serials have lost their last digits ({names}); export them as text", names=lost)
        )
    strange = [c.serial for c in columns if c.serial and c.serial not in serials.known]
    if strange:
        draft.warnings.append(told("not on the site's record: {serials}", serials=", ".join(strange)))
    if wide and any(
        c.serial and c.serial not in c.heading and c.serial.lstrip("0") in c.heading for c in columns
    ):
        draft.warnings.append(
            told("serials have lost their leading zeros; each was found on the record all the same")
        )


# Dates


def _order(data: list[list[str]], spread: list[list[str]], layout: Layout, draft: _Draft) -> Order:
    texts = list(dict.fromkeys(time_text(r, layout.time_columns) for r in (*data, *spread)))
    if not any(depends_on_order(t) for t in texts):
        draft.guesses["day_first"] = Guess("year_first", 0.99, told("years come first, or months have names"))
        return "ymd" if all(parse(t, "ymd") is None for t in texts) else "dmy"
    readable = [t for t in texts if any(parse(t, o) for o in _ORDERS.values())]
    possible = [o for o in _ORDERS.values() if sum(parse(t, o) is None for t in readable) == 0]
    if "day_first" in draft.answers:
        return _ORDERS[draft.settle("day_first", Guess("", 0, ""), None)]
    if not possible:
        raise NotReadable(told("its dates fit no one order of day, month and year"))
    smooth = [o for o in possible if _jumps(data, layout, o) == 0]
    if len(possible) > 1 and len(smooth) == 1 and _days(data, layout, smooth[0]) > 1:
        draft.guesses["day_first"] = Guess(
            _WORDS[smooth[0]], 0.95, told("only so the days follow each other")
        )
        return smooth[0]
    if len(possible) == 1 or len({tuple(parse(t, o) for t in readable) for o in possible}) == 1:
        draft.guesses["day_first"] = Guess(_WORDS[possible[0]], 0.98, told("only so every date exists"))
        return possible[0]
    why = told("dates such as {date} can be read in more than one way", date=readable[0])
    question = asked("day_first", tuple(_WORDS[o] for o in possible), why, None)
    draft.settle("day_first", Guess(_WORDS[possible[0]], 0.5, why), question)
    return possible[0]


def _jumps(data: list[list[str]], layout: Layout, order: Order) -> int:
    days = _day_list(data, layout, order)
    return sum(abs(b - a) > 7 * DAY_S for a, b in pairwise(days))


def _days(data: list[list[str]], layout: Layout, order: Order) -> int:
    return len(set(_day_list(data, layout, order)))


def _day_list(data: list[list[str]], layout: Layout, order: Order) -> list[int]:
    """Return the days in the order in which they first come, whatever unit a row is of."""
    return list(dict.fromkeys(s.day for s in stamps(data, layout, order) if s and s.day is not None))


# Numbers, intervals, quantity


def _decimal(table: Table, rows: list[list[str]], columns: Sequence[Value], draft: _Draft) -> str:
    cells = {r[c.index] for r in rows for c in columns if len(r) > c.index}
    markers = sorted({c.strip() for c in cells if words.is_missing(c)})
    draft.guesses["missing"] = Guess(markers, 0.9, told("cells like these say that there is no value"))
    found, why = decimal_of(cells)
    if found is None and table.delimiter == "," and not any("," in c for c in cells):
        found, why = ".", told("commas part the cells")
    guess = Guess({",": "comma", ".": "point"}.get(found or ""), 0.97 if found else 0.5, why)
    question = None if found else asked("decimal", ("point", "comma"), why)
    return "," if draft.settle("decimal", guess, question) == "comma" else "."


def _look_at_twins(head: Mapping[str, Trace], draft: _Draft) -> None:
    """Refuse hours 1 to 12 of which none can say whether they are before noon; tell of other times that come twice."""
    times = [t.naive for t in head.values() if t.naive.size]
    if not times:
        raise NotReadable(told("no row has a time and a number"))
    twins, count = sum(t.size - np.unique(t).size for t in times), sum(t.size for t in times)
    hours = np.unique(np.concatenate(times) // 3600 % 24)
    if twins > 0.2 * count and hours.min() >= 1 and hours.max() <= 12:
        raise NotReadable(
            told("its hours go from 1 to 12 twice a day without AM or PM; export them with these, or 0 to 24")
        )
    if twins > 0.02 * count:
        draft.warnings.append(
            told(
                "{twins} of {count} times come twice for one unit; the later row counts",
                twins=twins,
                count=count,
            )
        )


def _steps(head: Mapping[str, Trace], draft: _Draft) -> Steps:
    steps = steps_of(head)
    if steps is None and "interval_min" not in draft.answers:
        why = told("no unit has two readings")
        draft.questions.append(asked("interval_min", ("5", "10", "15", "30", "60"), why))
    return steps or Steps(300, 0.0, 0, newest_first=False)


def _interval(data: list[list[str]], layout: Layout, order: Order, steps: Steps, draft: _Draft) -> int:
    minutes = _from_ends(data, layout, order) or steps.usual_s / 60
    if minutes > LONGEST_MIN and "interval_min" not in draft.answers:
        apart = told(
            "its readings are {minutes} min apart, and proof needs an hour or less; export finer ones",
            minutes=f"{minutes:g}",
        )
        raise NotReadable(apart)
    why = told(
        "{share} % of the steps are of {step} min",
        share=f"{100 * steps.share:.0f}",
        step=f"{steps.usual_s / 60:g}",
    )
    sure = steps.share >= 0.6 and steps.count >= 3 and steps.usual_s % 60 == 0
    likely = str(max(1, round(minutes)))
    question = (
        None if sure or not steps.count else asked("interval_min", ("5", "10", "15", "30", "60"), why, likely)
    )
    return int(draft.settle("interval_min", Guess(likely, steps.share if sure else 0.5, why), question))


def _from_ends(data: list[list[str]], layout: Layout, order: Order) -> float | None:
    """Return the minutes between the start and the end in the first row, where a table has both."""
    if layout.end_column is None or not data:
        return None
    start = parse(time_text(data[0], layout.time_columns), order)
    ends = (*layout.time_columns[:-1], layout.end_column)
    end = parse(time_text(data[0], ends), order)
    if not (start and end):
        return None
    return ((end.naive - start.naive) % DAY_S) / 60 or None


def _quantity(
    layout: Layout,
    columns: Sequence[Value],
    head: Mapping[str, Trace],
    steps: Steps,
    known: Known,
    draft: _Draft,
) -> str:
    headings = " ".join(dict.fromkeys(c.heading for c in columns))
    units = {words.unit_of(c.heading) for c in columns}
    if len(units) > 1:
        raise NotReadable(told("its columns have different units of measure; export energy or power alone"))
    chosen = draft.settle("quantity", *quantity_of(headings, layout.preamble, head, steps, known))
    fitting = fitting_quantities(head, steps, known)
    if "quantity" in draft.answers and chosen not in fitting:
        draft.warnings.append(
            told(
                "as {chosen} the values are not what such inverters give; they fit {fitting}",
                chosen=chosen,
                fitting=", ".join(fitting) or "-",
            )
        )
    return chosen


def _power(found: Mapping[str, Trace], quantity: str, *, newest_first: bool) -> dict[str, Trace]:
    """Return traces that rise and fall with the light, whatever the quantity."""
    return {s: _rates(t, quantity, newest_first=newest_first) for s, t in found.items() if t.naive.size > 1}


def _rates(trace: Trace, quantity: str, *, newest_first: bool) -> Trace:
    order = -1 if newest_first else 1
    times, values = trace.naive[::order], trace.values[::order]
    if not quantity.startswith("counter"):
        return Trace(times, values)
    hours = (times[1:] - times[:-1]) / 3600
    sound = (hours > 0) & (hours < 3)
    rates = (values[1:] - values[:-1])[sound] / hours[sound]
    return Trace(((times[1:] + times[:-1]) // 2)[sound], rates.clip(min=0))


# Zone and label


def _shifts(label: str, quantity: str, interval: int, draft: _Draft) -> tuple[float, ...]:
    """Return the minutes from a label to the middle of its interval; both where the label is still open."""
    if quantity.startswith("counter"):  # its power stands in the middle already, if a time is the end
        shifts = {"end": 0.0, "start": float(interval)}
    else:
        shifts = {"end": -interval / 2, "start": interval / 2}
    is_open = any(q.key == "label" for q in draft.questions)
    return tuple(shifts.values()) if is_open else (shifts[label],)


def _zone(data: list[list[str]], layout: Layout, order: Order, light: Light, draft: _Draft) -> str | None:
    found = [s for s in stamps(data, layout, order) if s is not None]
    with_offset = sum(s.offset is not None for s in found)
    if with_offset == len(found):
        if "timezone" in draft.answers:
            draft.warnings.append(
                told("every time has its own offset from UTC, so the answer to timezone is not used")
            )
        draft.guesses["timezone"] = Guess(
            told("as in each time"), 0.98, told("every time has its offset from UTC")
        )
        _warn_of_light(data, layout, order, light, draft)
        return None
    if 0 < with_offset < len(found):
        draft.warnings.append(told("some times have an offset from UTC and some have none"))
    headings = " ".join([*(layout.headings[i] for i in layout.time_columns), layout.preamble])
    zone = draft.settle("timezone", *naive_zone(light, headings))
    late = light.late(zone)
    if "timezone" in draft.answers and late is not None and abs(late) > LARGEST_LATENESS_MIN:
        draft.warnings.append(
            told("in {zone} the light is {minutes} min off solar noon", zone=zone, minutes=f"{late:+.0f}")
        )
    elif "timezone" in draft.answers and not light.keeps_changes(zone):
        draft.warnings.append(
            told("the times do not change as the clock of {zone} does between summer and winter", zone=zone)
        )
    return zone


def _warn_of_light(data: list[list[str]], layout: Layout, order: Order, light: Light, draft: _Draft) -> None:
    offsets = {s.offset for s in stamps(data, layout, order) if s is not None and s.offset is not None}
    sign = {o: f"{'-' if o < 0 else '+'}{abs(o) // 3600:02}:{abs(o) % 3600 // 60:02}" for o in offsets}
    late = [light.late(name) for name in sign.values()]
    if late and all(found is not None and abs(found) > LARGEST_LATENESS_MIN for found in late):
        draft.warnings.append(
            told(
                "by their offsets the light is {minutes} min off solar noon; the offsets may be wrong",
                minutes=f"{late[0]:+.0f}",
            )
        )


def _label(
    layout: Layout, quantity: str, data: list[list[str]], order: Order, interval: int, draft: _Draft
) -> str:
    heading = " ".join(layout.headings[i] for i in layout.time_columns)
    if layout.end_column is not None:
        return draft.settle(
            "label", Guess("start", 0.98, told("starts and ends have columns of their own")), None
        )
    said = [name for name, word in (("start", words.START), ("end", words.END)) if word.search(heading)]
    if len(said) == 1:
        return draft.settle(
            "label", Guess(said[0], 0.95, told("the heading says {heading}", heading=heading)), None
        )
    if quantity.startswith("counter"):
        why = told(
            "a counter shows what was made until its time (end), unless each time stands for an interval (start)"
        )
        return draft.settle("label", Guess("end", 0.8, why), asked("label", ("end", "start"), why, "end"))
    first = next((s for s in stamps(data, layout, order) if s is not None), None)
    ends = first is not None and first.second == interval * 60
    why = told("whether a time is the start or the end of its interval is not said")
    if ends:
        why = told("{why}; the first is {minutes} min after midnight, as ends are", why=why, minutes=interval)
    likely = "end" if ends else "start"
    return draft.settle("label", Guess(likely, 0.6, why), asked("label", ("start", "end"), why, likely))
