"""Which of day, month and year comes first in a table's dates, if they show it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise

from service.intake.export.asking import asked
from service.intake.export.draft import Draft
from service.intake.export.layout import Layout, NotReadable
from service.intake.export.model import Guess, Order
from service.intake.export.survey import stamps, time_text
from service.intake.export.times import DAY_S, depends_on_order, parse
from service.intake.problems import told

_ORDERS: Mapping[str, Order] = {"true": "dmy", "false": "mdy", "year_first": "ymd"}
_DOTTED = re.compile(r"(?:[^\W\d_]+\W+)?\d{1,2}\.\d{1,2}\.\d")
"""Who begins with the month writes slashes or dashes, never points (common practice, no source)."""
_WORDS = {"dmy": "true", "mdy": "false", "ymd": "year_first"}
Rows = list[list[str]]


def order_of(data: Rows, spread: Rows, layout: Layout, draft: Draft) -> Order:
    """Return the order, and ask where the dates fit more than one."""
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
    if len(possible) > 1 and all(_DOTTED.match(t) for t in readable if depends_on_order(t)):
        possible = [o for o in possible if o != "mdy"]
        if possible == ["dmy"]:
            why = told("dates with points begin with the day")
            draft.guesses["day_first"] = Guess("true", 0.95, why)
            return "dmy"
    if len(possible) == 1 or len({tuple(parse(t, o) for t in readable) for o in possible}) == 1:
        draft.guesses["day_first"] = Guess(_WORDS[possible[0]], 0.98, told("only so every date exists"))
        return possible[0]
    why = told("dates such as {date} can be read in more than one way", date=readable[0])
    question = asked("day_first", tuple(_WORDS[o] for o in possible), why, None)
    draft.settle("day_first", Guess(_WORDS[possible[0]], 0.5, why), question)
    return possible[0]


def _jumps(data: Rows, layout: Layout, order: Order) -> int:
    days = _day_list(data, layout, order)
    return sum(abs(b - a) > 7 * DAY_S for a, b in pairwise(days))


def _days(data: Rows, layout: Layout, order: Order) -> int:
    return len(set(_day_list(data, layout, order)))


def _day_list(data: Rows, layout: Layout, order: Order) -> list[int]:
    """Return the days in the order in which they first come, whatever unit a row is of."""
    return list(dict.fromkeys(s.day for s in stamps(data, layout, order) if s and s.day is not None))
