"""Sentences with values in them, said in English at once and kept in parts, so that they can be said in any language.

A `Sentence` is its English text. Beside it stand the template and the values that it was made of, each with its kind;
`report/sentences.py` says the same in the reader's language, with its numbers and dates. No language is known here but
English. A template is a literal, so that it can be collected for translation, with `%(name)s` where a value goes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

MONTHS = ("January", "February", "March", "April", "May", "June", "July",
          "August", "September", "October", "November", "December")  # fmt: skip

Kind = Literal[
    "energy",
    "share",
    "duration",
    "number",
    "moment",
    "month",
    "term",
    "lateness",
    "azimuths",
    "more_time",
    "more_days",
]


@dataclass(frozen=True)
class Quantity:
    """A value in a sentence: an energy [Wh], a share (0-1), a duration [min], a number, a moment (ISO), a month (1-12),
    a term, a lateness [min], azimuths [degrees] in pairs from and to, more time [min] or days to come.

    `form` is what the kind needs besides: a number's format, a moment's zone.
    """

    kind: Kind
    value: float | str | tuple[float, ...]
    form: str = ""

    def __str__(self) -> str:
        """Return the value in English."""
        return ENGLISH[self.kind](self)


Values = dict[str, str | Quantity]


@dataclass(frozen=True)
class Part:
    """A template with its values; where it counts something, `many` is its other form and `count` the number."""

    one: str
    many: str = ""
    count: float = 1
    values: Values = field(default_factory=dict)

    def english(self) -> str:
        """Return the part in English."""
        template = self.many if self.many and self.count != 1 else self.one
        return template % {name: str(value) for name, value in self.values.items()}


class Sentence(str):
    """The English text, and the parts that it is made of, one behind the other."""

    parts: tuple[Part, ...]

    def __new__(cls, parts: Iterable[Part]) -> Sentence:
        """Make the sentence of its parts."""
        made = tuple(parts)
        new = super().__new__(cls, "".join(part.english() for part in made))
        new.parts = made
        return new

    def __reduce__(self) -> tuple[type[Sentence], tuple[tuple[Part, ...]]]:
        """Return how to make a copy."""
        return Sentence, (self.parts,)


def sentence(template: str, **values: str | float | Quantity) -> Sentence:
    """Return the template with its values as a sentence or a clause of one; a bare number has no decimals."""
    return Sentence([Part(template, values=_values(values))])


def counted_sentence(one: str, many: str, num: int, **values: str | float | Quantity) -> Sentence:
    """Return the form for so many as a sentence or a clause of one; `num` is a value, too."""
    return Sentence([Part(one, many, num, _values({"num": num, **values}))])


def term(text: str) -> Quantity:
    """Return a term, which stands in a sentence and is translated by itself."""
    return Quantity("term", text)


def joined(*clauses: str) -> Sentence:
    """Return clauses as one sentence, or sentences one after another; plain text between them stays as it is."""
    return Sentence(part for clause in clauses for part in _parts(clause))


def _parts(clause: str) -> Sequence[Part]:
    return clause.parts if isinstance(clause, Sentence) else (Part(clause.replace("%", "%%")),)


def _values(given: dict[str, str | float | Quantity]) -> Values:
    return {
        name: value if isinstance(value, str | Quantity) else Quantity("number", float(value), ".0f")
        for name, value in given.items()
    }


# How values are said in English


def _energy(q: Quantity) -> str:
    wh = float(_one(q))
    return f"{wh / 1000:.1f} kWh" if wh >= 1000 else f"{wh:.0f} Wh"


def _share(q: Quantity) -> str:
    pct = 100 * float(_one(q))
    return f"{pct:.1f} %" if pct < 10 else f"{pct:.0f} %"


def _duration(q: Quantity) -> str:
    minutes = float(_one(q))
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.1f} h"


def _number(q: Quantity) -> str:
    return format(float(_one(q)), q.form)


def _moment(q: Quantity) -> str:
    return f"{datetime.fromisoformat(str(_one(q))).astimezone(ZoneInfo(q.form)):%Y-%m-%d %H:%M}"


def _lateness(q: Quantity) -> str:
    minutes = float(_one(q))
    return f"{abs(minutes):.0f} min {'late' if minutes > 0 else 'early'}"


def _azimuths(q: Quantity) -> str:
    return " and ".join(f"{low:.0f} to {high:.0f}" for low, high in pairs(q))


def _more_time(q: Quantity) -> str:
    count, unit = more_time(q)
    return f"about {count:g} more {unit}{'' if count == 1 else 's'}"


def _more_days(q: Quantity) -> str:
    days = float(_one(q))
    return f"{days:g} more day{'' if days == 1 else 's'} with sun"


def _one(q: Quantity) -> float | str:
    assert not isinstance(q.value, tuple)  # noqa: S101 (only azimuths are several)
    return q.value


def pairs(q: Quantity) -> list[tuple[float, float]]:
    """Return azimuths from and to."""
    assert isinstance(q.value, tuple)  # noqa: S101 (so they were made)
    return list(zip(q.value[::2], q.value[1::2], strict=True))


def more_time(q: Quantity) -> tuple[float, Literal["minute", "hour"]]:
    """Return a time to come as a number, to one decimal upwards, and its unit."""
    minutes = float(_one(q))
    count, unit = (minutes, "minute") if minutes < 60 else (minutes / 60, "hour")
    return -(-(10 * count - 1e-9) // 1) / 10, "minute" if unit == "minute" else "hour"


ENGLISH: dict[Kind, Callable[[Quantity], str]] = {
    "energy": _energy,
    "share": _share,
    "duration": _duration,
    "number": _number,
    "moment": _moment,
    "month": lambda q: MONTHS[int(float(_one(q))) - 1],
    "term": lambda q: str(q.value),
    "lateness": _lateness,
    "azimuths": _azimuths,
    "more_time": _more_time,
    "more_days": _more_days,
}
