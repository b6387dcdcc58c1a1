"""Whether a time is the start or the end of its interval, as far as the file shows it.

Words and columns of their own say it; a day's first and last time and the sun's rising and setting show it. What is
shown and not said comes with a warning, and what is neither remains a question.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.intake.export import words
from service.intake.export.asking import asked
from service.intake.export.model import Guess, Question, ShownEnd
from service.intake.export.noon import Span
from service.intake.export.times import DAY_S
from service.intake.problems import Told, mark, told
from service.store.grids import IntArray

LEAST_GAIN_MIN = 5
"""So much more light must lie in the night under one label than under the other; clocks and formulas err by less."""

LEAST_SHARE = 0.15
"""Of the days; clouds at dawn hide it on the others."""


NEAR_NOON_MIN = 12
SHORTEST_BY_NOON_S = 3600
"""Half of it is what the middle of the light is off; a plane to the east or west moves that by a quarter of an hour."""


_IN_SENTENCES = {"start": words.LABEL_START, "end": words.LABEL_END}
SHOWN, LONGEST_TEXT = 60, 4000
_LIKELY = {
    "start": mark(
        "{why}. By the light they are likely the starts, but planes that face some degrees otherwise than on "
        "record would look the same"
    ),
    "end": mark(
        "{why}. By the light they are likely the ends, but planes that face some degrees otherwise than on "
        "record would look the same"
    ),
}


@dataclass(frozen=True)
class Shown:
    """What the times or the light show: which end a time stands at, how sure that is, and by what."""

    label: str
    confidence: float
    why: Told


def said_label(heading: str, above: str, *, has_end_column: bool, is_counter: bool) -> Guess | None:
    """Return what columns, headings or the text above the table say; a counter's times are moments of no middle."""
    if has_end_column:
        return Guess("start", 0.98, told("starts and ends have columns of their own"))
    if words.MIDDLE.search(heading) and not is_counter:
        return Guess("middle", 0.95, told("the heading says {heading}", heading=heading))
    said = [name for name, word in (("start", words.START), ("end", words.END)) if word.search(heading)]
    if len(said) == 1:
        return Guess(said[0], 0.95, told("the heading says {heading}", heading=heading))
    named = {name: word.search(above[:LONGEST_TEXT]) for name, word in _IN_SENTENCES.items()}
    found = [(name, match) for name, match in named.items() if match]
    if said or len(found) != 1:
        return None
    label, match = found[0]
    return Guess(label, 0.95, told("the text around the table says {words}", words=match[0][:SHOWN]))


def by_days(
    clocks: Sequence[IntArray], steps_s: tuple[int, int], *, is_counter: bool, has_24: bool
) -> Shown | None:
    """Return what the first and the last time show, on any of the clocks that the file may have cut days by.

    Each has the interval of its own, where these change.
    """
    if has_24:
        return Shown("end", 0.97, told("a day ends at 24:00"))
    found = [_edges(naive, steps_s, is_counter=is_counter) for naive in clocks if naive.size > 1]
    told_of = {shown.label: shown for shown in found if shown is not None}
    return next(iter(told_of.values())) if len(told_of) == 1 else None


def _edges(naive: IntArray, steps_s: tuple[int, int], *, is_counter: bool) -> Shown | None:
    step_s, last_step_s = steps_s
    first, last = int(naive.min()), int(naive.max())
    begin, end = first % DAY_S, last % DAY_S
    times = {"first": clock_text(begin), "last": clock_text(end)}
    if begin == step_s and end != DAY_S - last_step_s:
        return Shown("end", 0.95 if end == 0 else 0.8, told("the days go from {first} to {last}", **times))
    if begin == 0 and end == 0 and is_counter:
        return Shown("end", 0.95, told("the days go from {first} to {last}", **times))
    if begin == 0 and end == DAY_S - last_step_s:
        return Shown("start", 0.9, told("the days go from {first} to {last}", **times))
    return None


def clock_text(second: int) -> str:
    """Return a second of the day as 09:15."""
    return f"{second // 3600:02}:{second // 60 % 60:02}"


def by_sun(days: Sequence[Span], step_s: int, *, is_counter: bool) -> Shown | None:
    """Return the label under which no light lies in the night, if some lies there under the other."""
    if not days:
        return None
    night = np.array(
        [[_in_night_s(day, step_s, label, is_counter) for label in ("start", "end")] for day in days]
    )
    gain = (night[:, 1] - night[:, 0]) / 60
    least = max(LEAST_GAIN_MIN, step_s / 60 / 4)
    for_start, for_end = int((gain >= least).sum()), int((gain <= -least).sum())
    label, days_for, against = (
        ("start", for_start, for_end) if for_start > for_end else ("end", for_end, for_start)
    )
    chosen = night[:, ("start", "end").index(label)] / 60
    if days_for < max(1, LEAST_SHARE * len(days)) or against or float(np.median(chosen)) > LEAST_GAIN_MIN:
        return None
    why = told("else there would be output before sunrise or after sunset on {days} of {all} days",
               days=days_for, all=len(days))  # fmt: skip
    return Shown(label, 0.93 if days_for > 1 or step_s >= 1800 else 0.85, why)


def _in_night_s(day: Span, step_s: int, label: str, is_counter: bool) -> float:
    """Return for how long the first and the last interval with light lie wholly in the night."""
    shift = 0 if label == "start" else -step_s
    if is_counter:  # a trace of rates: its times are the middles of the intervals, if a time is the end
        shift += step_s // 2
    morning = day.rise - (day.first + shift + step_s)
    evening = day.last + shift - day.set
    return max(0.0, morning) + max(0.0, evening)


def by_noon(late_start: float | None, late_end: float | None, step_s: int) -> Shown | None:
    """Return the label under which the middle of the light is near solar noon, if under the other it is far off."""
    if late_start is None or late_end is None or step_s < SHORTEST_BY_NOON_S:
        return None
    near, label, far = min((abs(late_start), "start", late_end), (abs(late_end), "end", late_start))
    if near > max(NEAR_NOON_MIN, step_s / 240) or abs(far) < max(2 * NEAR_NOON_MIN, step_s / 80):
        return None
    return Shown(
        label, 0.85, told("else the light would be {minutes} min off solar noon", minutes=f"{abs(far):.0f}")
    )


def settled(
    days: Shown | None, light: Sequence[Shown | None], *, is_counter: bool
) -> tuple[Guess, Question | None]:
    """Return the label that all that is shown agrees on, and the question if it does not or nothing is shown."""
    found = [s for s in (days, *light) if s is not None]
    by_light = {s.label for s in light if s is not None}
    if is_counter and not by_light:
        found.append(Shown("end", 0.85, told("a counter shows what was made until its time")))
    elif is_counter and by_light == {"end"}:  # instants from 00:00 to 23:45 look like starts
        found = [s for s in found if s.label in by_light]
    labels = {s.label for s in found}
    if len(labels) == 1:
        best = max(found, key=lambda s: s.confidence)
        return Guess(best.label, best.confidence, best.why), None
    if found:
        one, other = (next(s for s in found if s.label == label) for label in ("start", "end"))
        why = told("starts: {one}; ends: {other}", one=one.why, other=other.why)
        likely = "end" if is_counter else None
        return Guess(likely or "start", 0.5, why), asked("label", ("start", "end"), why, likely)
    why = told(
        "whether a time is the start or the end of its interval is not said, and the times do not show it"
    )
    return Guess("start", 0.6, why), asked("label", ("start", "end"), why, "start")


def by_planes(
    shown: ShownEnd | None, step_min: int, guess: Guess, question: Question
) -> tuple[Guess, Question | None]:
    """Return what else left open by the light on the recorded planes: the label, or which of both is the likely one."""
    if shown is None:
        return guess, question
    label = "end" if shown.is_end else "start"
    if shown.is_sure:
        why = told(
            "only so the light of {days} days is what falls on the planes of the record, and else it would be "
            "{minutes} min off",
            days=shown.days,
            minutes=step_min,
        )
        return Guess(label, 0.9, why), None
    likely = told(_LIKELY[label], why=question.why)
    return Guess(label, 0.6, likely), asked("label", ("start", "end"), likely, label)


def as_moments(guess: Guess, question: Question | None) -> tuple[Guess, Question | None]:
    """Return a counter's times as the moments at which it was read, if only where days begin speaks against it."""
    if question is None or question.proposed == "start":
        return guess, question
    return Guess("end", 0.8, told("a counter shows what was made until its time")), None


def taken_as(guess: Guess) -> Told:
    """Return the warning for a label that was shown and not said."""
    if guess.value == "end":
        return told(
            "the times were taken as the ends of their intervals: {why}. "
            "If they are not, choose the starts (label=start)",
            why=guess.why,
        )
    return told(
        "the times were taken as the starts of their intervals: {why}. "
        "If they are not, choose the ends (label=end)",
        why=guess.why,
    )
