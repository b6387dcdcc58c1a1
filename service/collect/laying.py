"""How the samples of a unit become readings: by the sources' own layouts, in the intervals of the configuration."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import lcm

from service.collect.layout import Layout
from service.collect.outbox import Aside, Laid, Reading, microseconds
from service.intake.live.intervals import Odd, closed, intervals, touched
from service.intake.live.model import Sample
from service.intake.problems import Told

SAME = 1e-3
"""Share by which two sources may differ that only round differently."""

WAIT_MIN = 2
"""An interval is made so long after its end; what comes later makes it anew."""


@dataclass(frozen=True)
class Laying:
    """Lays samples into intervals; a source that is no longer in the configuration has the layout `others`."""

    layouts: Mapping[str, Layout]
    others: Layout
    rated_w: float | None = None
    """The largest rating on record: by it a counter's leap is told from what an inverter can make."""

    def rated(self, rated_w: float | None) -> Laying:
        """Return the same with that rating."""
        return replace(self, rated_w=rated_w)

    def until(self, now: datetime) -> datetime:
        """Return until when intervals of all lengths can be made."""
        lengths = {layout.interval_min for layout in (self.others, *self.layouts.values())}
        return closed(now, lcm(*lengths), WAIT_MIN)

    def __call__(
        self, found: Sequence[tuple[str, Sample]], changed: tuple[datetime, datetime], until: datetime
    ) -> Laid:
        """Return what the samples make of the intervals before `until` that may have changed."""
        odd: list[Odd] = []
        readings: dict[tuple[int, int, str], tuple[str, Reading]] = {}
        differing: list[Aside] = []
        for source in self._sources(found):
            own = [(name, sample) for name, sample in found if name == source or name not in self.layouts]
            for layout, samples in self._groups(own):
                for reading in self._readings(layout, samples, changed, until, odd):
                    key = reading.interval_min, reading.start, reading.channel
                    first = readings.setdefault(key, (source, reading))
                    differing += _differing(*first, source, reading)
        aside = [
            Aside(o.serial, o.kind, microseconds(o.at), str(o.reason), due=not o.asleep)
            for o in odd
            if not _is_nothing(o)
        ]
        return Laid([reading for _, reading in readings.values()], [*aside, *differing])

    def _sources(self, found: Sequence[tuple[str, Sample]]) -> list[str]:
        """Return whose samples these are, in the order of the configuration: of two for one unit the first counts.

        Those of a source that has another name by now belong to all.
        """
        names = {name for name, _ in found}
        return [name for name in self.layouts if name in names] or sorted(names)[:1]

    def _groups(self, found: Sequence[tuple[str, Sample]]) -> Iterable[tuple[Layout, list[Sample]]]:
        """Give energies by their label, and the rest together: a source may have had another name yesterday."""
        groups: dict[Layout, list[Sample]] = {}
        for source, sample in found:
            layout = self.layouts.get(source, self.others)
            if not sample.kind.startswith("energy"):
                layout = replace(layout, label="start", gap_min=None)
            groups.setdefault(layout, []).append(sample)
        gaps = [gap for source in {s for s, _ in found} if (gap := self._gap(source)) is not None]
        return [(replace(layout, gap_min=max(gaps, default=None)), group) for layout, group in groups.items()]

    def _gap(self, source: str) -> float | None:
        return self.layouts.get(source, self.others).gap_min

    def _readings(
        self,
        layout: Layout,
        samples: Sequence[Sample],
        changed: tuple[datetime, datetime],
        until: datetime,
        odd: list[Odd],
    ) -> Iterator[Reading]:
        start, end = touched(changed, layout.interval_min)
        laid = intervals(
            samples,
            layout.interval_min,
            start=start,
            end=min(end, until),
            label=layout.label,
            gap_min=layout.gap_min,
            rated_w=self.rated_w,
            odd=odd.append,
        )
        for one in laid:
            for at, value in zip(one.starts.tolist(), one.values.tolist(), strict=True):
                yield Reading(one.serial, one.interval_min, at, one.channel, value)


def _differing(first: str, counts: Reading, other: str, reading: Reading) -> Iterator[Aside]:
    """Give what is to be told where two sources say different things of a unit's interval."""
    most = max(abs(counts.value), abs(reading.value))
    if first != other and abs(counts.value - reading.value) > SAME * most:
        told = (
            f"“{first}” says {counts.value:.6g} and “{other}” {reading.value:.6g} of {reading.channel}; the one that "
            "stands first in the configuration counts, leave the unit out of the other"
        )
        yield Aside(reading.serial, reading.channel, reading.start * 1_000_000, told, due=False)


def _is_nothing(odd: Odd) -> bool:
    """Return whether nothing was made in a silence: a unit sleeps every night."""
    return isinstance(odd.reason, Told) and odd.reason.values.get("energy") == "0"
