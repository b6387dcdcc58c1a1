"""How far a table's times lie apart, and whether they keep to an interval."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np

from service.intake.export import words
from service.intake.export.asking import asked
from service.intake.export.draft import LONGEST_MIN, Draft
from service.intake.export.intervals import Steps, steps_of
from service.intake.export.layout import NotReadable
from service.intake.export.look import Look, contradictions
from service.intake.export.model import Guess
from service.intake.export.survey import Trace, time_text
from service.intake.export.times import DAY_S, parse
from service.intake.fields import INTERVALS_MIN
from service.intake.problems import told

INTERVALS = tuple(map(str, INTERVALS_MIN))
ROWS_LOOKED_AT = 2000
MOST_ROWS, MANY_ROWS = 0.9, 0.02
"""Of the rows that say how long they last: so many are all but some at a gap, so few are these."""


def settle_steps(head: Mapping[str, Trace], draft: Draft) -> Steps:
    """Return how the times follow one another; NotReadable where it does not show which of a unit's times is which."""
    _look_at_twins(head, draft)
    steps = steps_of(head)
    if steps is None and "interval_min" in draft.shared:
        return Steps(60 * int(draft.shared["interval_min"].value), 0.0, 0, newest_first=False)
    if steps is None and "interval_min" not in draft.answers:
        draft.questions.append(asked("interval_min", INTERVALS, told("no unit has two readings")))
    return steps or Steps(300, 0.0, 0, newest_first=False)


def _look_at_twins(head: Mapping[str, Trace], draft: Draft) -> None:
    """Refuse hours 1 to 12 of which none can say whether they are before noon; tell of other times that come twice."""
    times = [t.naive for t in head.values() if t.naive.size]
    twins, count = sum(t.size - np.unique(t).size for t in times), sum(t.size for t in times)
    hours = np.unique(np.concatenate(times) // 3600 % 24)
    if twins > 0.2 * count and hours.min() >= 1 and hours.max() <= 12:
        raise NotReadable(
            told("its hours go from 1 to 12 twice a day without AM or PM; export them with these, or 0 to 24")
        )
    if sum(map(contradictions, head.values())) > 0.2 * count:
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


def settle_interval(look: Look, steps: Steps, draft: Draft) -> int:
    """Return the minutes of an interval; NotReadable where they are more than an hour, or change from row to row."""
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
    # rows of no interval are not those of other tables
    return int(draft.settle("interval_min", guess, question, from_others=False))


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


def _said_minutes(look: Look, steps: Steps) -> float | None:
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


def _from_ends(look: Look) -> list[float]:
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


def _from_durations(look: Look) -> list[float]:
    """Return the minutes in a column that says how long rows last, and in what."""
    headings = look.layout.headings
    told_in = [(i, m) for i, heading in enumerate(headings) if (m := words.DURATION.search(heading))]
    if len(told_in) != 1:
        return []
    column, unit = told_in[0][0], told_in[0][1][2].lower()
    cells = [row[column].strip() for row in look.data[:ROWS_LOOKED_AT] if len(row) > column]
    return [int(c) / (60 if unit[0] == "s" else 1) for c in cells if c.isdecimal() and int(c)]


def is_irregular(quantity: str, steps: Steps, draft: Draft) -> bool:
    """Return whether the values are powers at moments of any distance; what they say between is laid into intervals."""
    if not quantity.startswith("power") or steps.is_regular or steps.count < 3:
        return False
    if "interval_min" in draft.answers or steps.keeps_to_a_grid:
        return False
    minutes = laid_on(steps.usual_s // 60)
    draft.close("interval_min", Guess(str(minutes), 0.85, told("the times keep to no interval")))
    draft.warnings.append(
        told(
            "the times keep to no interval; the power between them is laid into {minutes} min",
            minutes=minutes,
        )
    )
    return True


def laid_on(minutes: int) -> int:
    return next((kept for kept in INTERVALS_MIN if kept >= 2 * minutes), INTERVALS_MIN[-1])
