"""Which of day, month and year comes first in a table's dates, if they show it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

from service.intake.export.asking import asked
from service.intake.export.draft import Draft
from service.intake.export.layout import Layout, NotReadable
from service.intake.export.model import Guess, Order
from service.intake.export.survey import stamps, time_text
from service.intake.export.times import DAY_S, depends_on_order, parse, weekday_of
from service.intake.problems import told

_ORDERS: Mapping[str, Order] = {"true": "dmy", "false": "mdy", "year_first": "ymd"}
_DOTTED = re.compile(r"(?:[^\W\d_]+\W+)?\d{1,2}\.\d{1,2}\.\d")
"""Who begins with the month writes slashes or dashes, never points (common practice, no source)."""
_WORDS = {"dmy": "true", "mdy": "false", "ymd": "year_first"}
_WRITTEN = re.compile(r"(?:(\d{4})-(\d\d)-(\d\d)|(\d{1,2})[./-](\d{1,2})[./-]\d{2,4})(?!\d)")
TWELVE, FEWEST_TURNED = 12, 6
SLACK_S = 2 * DAY_S
"""A clock may be wrong, and be ahead by its zone."""

Rows = list[list[str]]


def _are_turned(texts: Sequence[str]) -> bool:
    """Return whether dates of days up to the 12th are written otherwise than all others, as none by accident are."""
    dates = [found for text in texts if (found := _WRITTEN.match(text.strip()))]
    turned, others = [f for f in dates if f[1]], [f for f in dates if not f[1]]
    if min(len(turned), len(others)) < FEWEST_TURNED:
        return False
    return all(int(f[3]) <= TWELVE for f in turned) and all(
        max(int(f[4]), int(f[5])) > TWELVE for f in others
    )


def order_of(data: Rows, spread: Rows, layout: Layout, draft: Draft, now: float | None = None) -> Order:
    """Return the order, and ask where the dates fit more than one."""
    texts = list(dict.fromkeys(time_text(r, layout.time_columns) for r in (*data, *spread)))
    if _are_turned(texts):
        raise NotReadable(
            told(
                "some of its dates are text, and the others, none after the 12th, were turned by a spreadsheet that "
                "took the day for the month; export it anew, and open it with dates as text"
            )
        )
    if not any(depends_on_order(t) for t in texts):
        draft.guesses["day_first"] = Guess("year_first", 0.99, told("years come first, or months have names"))
        return "ymd" if all(parse(t, "ymd") is None for t in texts) else "dmy"
    readable = [t for t in texts if any(parse(t, o) for o in _ORDERS.values())]
    possible = [o for o in _ORDERS.values() if sum(parse(t, o) is None for t in readable) == 0]
    if "day_first" in draft.answers:
        return _ORDERS[draft.settle("day_first", Guess("", 0, ""), None)]
    if not possible:
        raise NotReadable(told("its dates fit no one order of day, month and year"))
    possible = [o for o in possible if _agree_with_names(readable, o)] or possible
    days = {o: _day_list(data, layout, o) for o in (possible if len(possible) > 1 else ())}
    smooth = [o for o, found in days.items() if _jumps(found) == 0]
    if len(smooth) == 1 and _run_on(days[smooth[0]]):
        draft.guesses["day_first"] = Guess(
            _WORDS[smooth[0]], 0.95, told("only so the days follow each other")
        )
        return smooth[0]
    if len(possible) > 1 and all(_DOTTED.match(t) for t in readable if depends_on_order(t)):
        possible = [o for o in possible if o != "mdy"]
        if possible == ["dmy"]:
            why = told("dates with points begin with the day")
            draft.guesses["day_first"] = Guess("true", 0.95, why)
            return "dmy"
    if len(possible) == 1 or len({tuple(parse(t, o) for t in readable) for o in possible}) == 1:
        draft.guesses["day_first"] = Guess(
            _WORDS[possible[0]], 0.98, told("only so every date exists, and is of its day of the week")
        )
        return possible[0]
    return _past_or_asked(readable, possible, draft, now)


def _agree_with_names(texts: Sequence[str], order: Order) -> bool:
    """Return whether days of the week that stand before the dates are theirs."""
    found = [(weekday_of(t), stamp) for t in texts if (stamp := parse(t, order)) is not None]
    named = [(day, stamp.day // DAY_S) for day, stamp in found if day is not None and stamp.day is not None]
    return not named or sum((number + 3) % 7 == day for day, number in named) > 0.9 * len(named)


def _past_or_asked(
    readable: Sequence[str], possible: Sequence[Order], draft: Draft, now: float | None
) -> Order:
    past = [o for o in possible if now is None or _latest(readable, o) < now + SLACK_S]
    if len(past) == 1:
        draft.guesses["day_first"] = Guess(_WORDS[past[0]], 0.95, told("else its days would be yet to come"))
        return past[0]
    why = told("dates such as {date} can be read in more than one way", date=readable[0])
    question = asked("day_first", tuple(_WORDS[o] for o in possible), why, None)
    draft.settle("day_first", Guess(_WORDS[possible[0]], 0.5, why), question)
    return possible[0]


def _latest(texts: Sequence[str], order: Order) -> int:
    return max((s.day for t in texts if (s := parse(t, order)) is not None and s.day is not None), default=0)


def by_light(order: Order, draft: Draft, is_too_long: Callable[[Order], bool | None]) -> Order:
    """Return the order if only under it the light is no longer than the days, whatever the zone; else it stays asked.

    `is_too_long` says so of an order, None where the rows do not show it.
    """
    question = next((q for q in draft.questions if q.key == "day_first"), None)
    if question is None:
        return order
    shown = {choice: is_too_long(_ORDERS[choice]) for choice in question.choices}
    left = [choice for choice, too_long in shown.items() if too_long is False]
    if len(left) != 1 or None in shown.values():
        return order
    draft.close(
        "day_first", Guess(left[0], 0.95, told("else there would be light for longer than the day lasts"))
    )
    return _ORDERS[left[0]]


def _run_on(days: Sequence[int]) -> bool:
    """Return whether most days follow on one another: of two lone days the months may as well be two apart."""
    steps = [abs(b - a) for a, b in pairwise(days)]
    return sum(step == DAY_S for step in steps) > len(steps) / 2


def _jumps(days: Sequence[int]) -> int:
    return sum(abs(b - a) > 7 * DAY_S for a, b in pairwise(days))


def _day_list(data: Rows, layout: Layout, order: Order) -> list[int]:
    """Return the days in the order in which they first come, whatever unit a row is of."""
    return list(dict.fromkeys(s.day for s in stamps(data, layout, order) if s and s.day is not None))
