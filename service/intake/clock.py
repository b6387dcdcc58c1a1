"""The clock that labelled a site's readings: from which label on they are how many minutes late. Moves no reading."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from math import inf
from typing import Any, NamedTuple

EVER = -inf


class Stretch(NamedTuple):
    """Labels in [since, until), seconds since 1970, are `minutes` late; a negative number is early."""

    since: float
    until: float
    minutes: int


@dataclass(frozen=True)
class Clock:
    """The lateness that begins at each label, the first at `EVER`, in the order of the labels."""

    changes: tuple[tuple[float, int], ...] = ((EVER, 0),)

    def stretches(self) -> Iterator[Stretch]:
        """Give the stretches of one lateness; together they cover every label once."""
        for (since, minutes), (until, _) in pairwise([*self.changes, (inf, 0)]):
            yield Stretch(since, until, minutes)

    def minutes_at(self, label: float) -> int:
        """Return how late a label is."""
        return next(s.minutes for s in self.stretches() if s.since <= label < s.until)

    def followed_by(self, further: Clock) -> Clock:
        """Return the two as one, where `further` was found on labels that this clock had put right already."""
        joined = [
            (since, stretch.minutes + late)
            for stretch in self.stretches()
            for since, late in _within(stretch, further)
        ]
        return Clock(tuple(_without_repeats(joined)))

    def as_record(self) -> list[dict[str, Any]]:
        """Return it in the form of the site record: nothing for a clock that was always right."""
        late = self.changes if self.changes[0][1] else self.changes[1:]
        return [{"from": _iso(since), "minutes": minutes} for since, minutes in late]


def clock_of(entries: Sequence[Mapping[str, Any]] | None) -> Clock:
    """Return the clock that a site record, which has been validated, describes."""
    changes = [(_second(entry.get("from")), int(entry["minutes"])) for entry in entries or ()]
    ever = [] if changes and changes[0][0] == EVER else [(EVER, 0)]
    return Clock((*ever, *changes))


def _within(stretch: Stretch, further: Clock) -> Iterator[tuple[float, int]]:
    """Give the changes of `further` at the labels of the stretch, beginning with the one that holds at its start."""
    late_s = 60 * stretch.minutes
    yield stretch.since, further.minutes_at(stretch.since - late_s)
    for since, minutes in further.changes:
        if stretch.since < since + late_s < stretch.until:
            yield since + late_s, minutes


def _without_repeats(changes: Sequence[tuple[float, int]]) -> Iterator[tuple[float, int]]:
    before: int | None = None
    for since, minutes in changes:
        if minutes != before:
            yield since, minutes
        before = minutes


def _second(iso: str | None) -> float:
    return EVER if iso is None else datetime.fromisoformat(iso).timestamp()


def _iso(second: float) -> str | None:
    return None if second == EVER else datetime.fromtimestamp(second, UTC).isoformat()
