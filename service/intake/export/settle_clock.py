"""Which zone a table's times are of, and which end of its interval each stands for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from service.intake.export.doubts import doubts
from service.intake.export.draft import Draft
from service.intake.export.due import shown_end
from service.intake.export.intervals import Steps
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
from service.intake.export.look import Look
from service.intake.export.model import Guess, Known, Question
from service.intake.export.powers import power_of, watts_of
from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S
from service.intake.export.zones import (
    Clockwork,
    Light,
    doubtful_zone,
    naive_zone,
    named_in,
    sign,
    zone_of,
)
from service.intake.problems import mark, told
from service.store.grids import IntArray

_AGAINST = {
    "start": mark("the times are taken as starts of their intervals, but {why}"),
    "end": mark("the times are taken as ends of their intervals, but {why}"),
}


def settle_clock(
    look: Look, quantity: str, steps: Steps, known: Known, draft: Draft, *, irregular: bool
) -> tuple[str, str | None]:
    """Return the label and the zone.

    Days that are cut at midnight show the label, and with it the light shows the zone, or the other way.
    """
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
        watts = watts_of(look.head, quantity, steps)
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


def _likely_zone(look: Look, light: Light, draft: Draft) -> tuple[str, bool, bool]:
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


def _clocks(look: Look, zone: str, known: Known) -> list[IntArray]:
    """Return the first and last time on the clocks by which the file may have cut its days: its own, and the site's."""
    trace = max(look.head.values(), key=lambda t: t.naive.size)
    naive = [*trace.naive.tolist(), *(s.naive for s in look.tail if s.second is not None)]
    ends = np.array([min(naive), max(naive)])
    utc = Clockwork(zone_of(zone)).utc(ends)
    return [ends, utc + Clockwork(zone_of(known.zone)).offset_at(utc)]


def _edge_steps(look: Look, steps: Steps) -> tuple[int, int]:
    """Return the intervals with which the rows begin and end, in seconds."""
    longest = max(look.head, key=lambda name: look.head[name].naive.size)
    changes = steps.changes.get(longest)
    return (60 * changes[0][1], 60 * changes[-1][1]) if changes else (steps.usual_s, steps.usual_s)


def _light(look: Look, quantity: str, steps: Steps, known: Known) -> Light:
    powers = [power_of(found, quantity, steps) for found in (look.head, look.spread)]
    return Light(powers[0], powers[1], known, labels=tuple(look.head.values()))


def _shifts_min(quantity: str, steps: Steps, *, irregular: bool) -> dict[str, float]:
    """Return for each label by how much the middle of its interval is later."""
    half = 0.0 if irregular else steps.usual_s / 120
    if quantity.startswith("counter"):  # its power stands in the middle already, if a time is the end
        return {"end": 0.0, "middle": half, "start": 2 * half}
    return {"end": -half, "middle": 0.0, "start": half}


def _zone(look: Look, light: Light, draft: Draft) -> str | None:
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


def _naive_zone(light: Light, look: Look, draft: Draft) -> tuple[Guess, Question | None]:
    if "timezone" in draft.shared:
        return draft.shared["timezone"], None
    doubtful = {s.zone for s in look.stamps if s.zone and s.offset is None}
    if doubtful:
        return doubtful_zone(light, {short: look.meant[short] for short in sorted(doubtful)})
    return naive_zone(light, _headings(look))


def _headings(look: Look) -> str:
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


def _warn_of_light(look: Look, light: Light, draft: Draft) -> None:
    late = [light.late(sign(o)) for o in {s.offset for s in look.stamps} if o is not None]
    if late and all(found is not None and abs(found) > light.largest_late_min for found in late):
        draft.warnings.append(
            told(
                "by their offsets the light is {minutes} min off solar noon; the offsets may be wrong",
                minutes=f"{abs(late[0] or 0):.0f}",
            )
        )


def _offset_zone(look: Look, known: Known) -> str:
    """Return a zone that the offsets of the times are of: the site's, or the first's."""
    clock = Clockwork(zone_of(known.zone))
    if all(s.offset in clock.offsets(s.naive) for s in look.stamps[:: max(1, len(look.stamps) // 200)]):
        return known.zone
    return sign(look.stamps[0].offset or 0)
