"""Zones by name or offset, from clock times to UTC, and from which of them the labels of a table are."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from service.intake.export import words
from service.intake.export.abbreviations import everywhere, own_meanings
from service.intake.export.asking import asked
from service.intake.export.model import Guess, Known, Question
from service.intake.export.noon import Span, centroid_min, lateness_min, night_share, room_s, spans
from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S, offset_of
from service.intake.export.zone_words import zones_named
from service.intake.problems import told
from service.store.grids import FloatArray, IntArray

LARGEST_LATENESS_MIN = 25
"""Zones lie an hour apart, few half of one: up to here a zone is the nearest; shade in the morning may do as much."""
MOST_LATENESS_MIN, LONG_HALF_MIN = 45, 15
"""Until here a plane to the west, or a hill, may be the cause, and no other zone."""

LARGEST_DIFFERENCE_MIN = 40
NEAR_S, FAR_S = 480, 900
"""By so much output may lie in the night under the right zone (clocks and formulas err), and must under wrong ones."""

MOST_DAYS, MANY_DAYS = 0.8, 0.5
HOUR_S = 3600
QUARTER_S = 900
CHANGES_LOOKED_AT = 3
QUARTERS_REMEMBERED = 20_000
Found = TypeVar("Found")
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - the clock's own times have no zone
_IN_HEADING = re.compile(
    r"\b(?:UTC|GMT)\s*(?:[+-]\s?\d{1,2}(?::?\d\d)?)?(?!\w)|(?<=\()[+-]\d{2}:\d{2}(?=\))|\b(CEST|CET|MESZ|MEZ)\b"
)


_NO_SUMMER = re.compile(
    r"\b(no|without|not|ohne|sans|sin|senza|zonder)\s+(dst|daylight|summer ?time|sommerzeit|heure d.été"
    r"|horario de verano|ora legale|zomertijd)|\b(standard|winter) ?time|winterzeit|normalzeit",
    re.I,
)
_SHORT = re.compile(r"(?<![^\W_])[A-Z]{3,5}(?![^\W_])")


def zone_of(name: str) -> tzinfo:
    """Return the zone of a name such as Europe/Berlin, UTC or +01:00; ValueError if there is none."""
    offset = offset_of(name)
    if offset is not None:
        return timezone(timedelta(seconds=offset))
    try:
        return ZoneInfo(name.strip())
    except (KeyError, OSError, ValueError):
        raise ValueError(name) from None


class Clockwork:
    """Turns seconds on a zone's clock into UTC; each quarter of an hour is asked for once."""

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._known: dict[int, tuple[int, int]] = {}

    def offsets(self, naive: int) -> tuple[int, int]:
        """Return the offsets of a clock time at its first and its second showing; they differ around a change."""
        quarter = naive // QUARTER_S
        found = self._known.get(quarter)
        if found is None:
            if len(self._known) > QUARTERS_REMEMBERED:
                self._known.clear()
            at = _EPOCH + timedelta(seconds=quarter * QUARTER_S)
            found = self._known[quarter] = (_offset(at, self._zone, 0), _offset(at, self._zone, 1))
        return found

    def both(self, naive: IntArray) -> tuple[IntArray, IntArray]:
        """Return the offsets of many at their first and second showing; by quarters on days on which they change."""
        day, place = np.unique(naive // DAY_S, return_inverse=True)
        begins, ends = (self._asked((day + later) * DAY_S) for later in (0, 1))
        found = begins[place]
        changing = np.any((begins != ends) | (begins[:, :1] != begins[:, 1:]), axis=1)[place]
        if changing.any():
            quarters, place = np.unique(naive[changing] // QUARTER_S, return_inverse=True)
            found[changing] = self._asked(quarters * QUARTER_S)[place]
        return found[:, 0], found[:, 1]

    def _asked(self, naive: IntArray) -> IntArray:
        return np.array([self.offsets(n) for n in naive.tolist()], dtype=np.int64).reshape(-1, 2)

    def utc(self, naive: IntArray) -> IntArray:
        """Return the times in UTC, taking each for its first showing."""
        return naive - self.both(naive)[0]

    def offset_at(self, utc: IntArray) -> IntArray:
        """Return the offset that the clock has at each of the times in UTC."""
        return np.array([_at(int(n), self._zone) for n in utc], dtype=np.int64)


def _at(utc: int, zone: tzinfo) -> int:
    found = datetime.fromtimestamp(utc, zone).utcoffset()
    return round(found.total_seconds()) if found else 0


def _offset(at: datetime, zone: tzinfo, fold: int) -> int:
    found = at.replace(tzinfo=zone, fold=fold).utcoffset()
    return round(found.total_seconds()) if found else 0


@dataclass(frozen=True)
class Light:
    """What the first rows and the rows from all over show of the light."""

    head: dict[str, Trace]
    spread: dict[str, Trace]
    known: Known
    shifts_min: tuple[float, ...] = (0.0,)
    """From a label to the middle of its interval; two where it is not known which end it names."""
    labels: tuple[Trace, ...] = ()
    half_min: float = 0.0
    """Half of an interval."""
    remembered: dict[tuple[str, str], Any] = field(default_factory=dict, repr=False, compare=False)
    """What was found of a zone whatever the label, by what it is."""

    def joined(self, others: Sequence[Light]) -> Light:
        """Return it with what other tables show of the same zone and label."""
        if not others:
            return self
        every = (self, *others)
        return replace(
            self,
            remembered={},
            head=_together(light.head for light in every),
            spread=_together(light.spread for light in every),
        )

    def late(self, zone: str) -> float | None:
        """Return how late the light is if the labels are of that zone; at best, where the label is open."""
        found = self._once("late", zone, self._late)
        if found is None:
            return None
        return min((found + shift for shift in self.shifts_min), key=abs)

    def _late(self, zone: str) -> float | None:
        return lateness_min(self.head.values(), Clockwork(zone_of(zone)).utc, self.known.longitude)

    def _once(self, what: str, zone: str, find: Callable[[str], Found]) -> Found:
        if (what, zone) not in self.remembered:
            self.remembered[what, zone] = find(zone)
        found: Found = self.remembered[what, zone]
        return found

    def at_night(self, zone: str, below_deg: float) -> float:
        """Return the share of the light while the sun is below an elevation, if the labels are of that zone."""
        return min(self._at_night(zone, below_deg, shift) for shift in self.shifts_min)

    def _at_night(self, zone: str, below_deg: float, shift_min: float) -> float:
        clock = Clockwork(zone_of(zone))

        def middles(naive: IntArray) -> IntArray:
            return clock.utc(naive) + round(60 * shift_min)

        known = self.known
        return night_share(self.head.values(), middles, known.longitude, known.latitude, below_deg)

    def spans(self, zone: str) -> list[Span]:
        """Return the days whose first and last light the labels show, if they are of that zone."""
        return self._once("spans", zone, self._spans)

    def _spans(self, zone: str) -> list[Span]:
        known = self.known
        return spans(self.head.values(), Clockwork(zone_of(zone)).utc, known.longitude, known.latitude)

    def fits(self, zone: str) -> bool:
        """Return whether the light speaks for the zone."""
        late = self.late(zone)
        return late is not None and abs(late) <= LARGEST_LATENESS_MIN

    @property
    def largest_late_min(self) -> int:
        """Return how late the light may be in the right zone: of hours, by half of which its middle moves, later."""
        return MOST_LATENESS_MIN if self.half_min > LONG_HALF_MIN else LARGEST_LATENESS_MIN

    def is_alone(self, zone: str) -> bool:
        """Return whether hours are near enough to this zone, and to no other that they may be of."""
        others = [z for z in self.choices() if z != zone and self.differ([zone, z])]
        return self._is_near(zone) and not self.excludes(zone) and not any(map(self._is_near, others))

    def _is_near(self, zone: str) -> bool:
        late = self.late(zone)
        return late is not None and abs(late) <= self.largest_late_min

    def may_be(self, zone: str) -> bool:
        """Return whether the light may be of the zone; an open label adds to a plane to the west, if it is long."""
        late = self.late(zone)
        if late is None or self.half_min < LONG_HALF_MIN:
            return self.fits(zone)
        return abs(late) <= MOST_LATENESS_MIN and (self.fits(zone) or not self.excludes(zone))

    def pins(self, zone: str) -> bool:
        """Return whether output keeps out of the night in this zone, and would not in one an hour off.

        What shades the array or wakes an inverter late makes days of light shorter: it can leave this open, not wrong.
        """
        room = self._room(zone)
        return _fits(room) and all(_is_off(room - moved) for moved in (-HOUR_S, HOUR_S))

    def excludes(self, zone: str) -> bool:
        """Return whether in this zone output would certainly lie in the night."""
        return _is_off(self._room(zone))

    def _room(self, zone: str) -> FloatArray:
        """Return by how many seconds the labels could be moved, for each place of their intervals and each day."""
        days, half = self.spans(zone), 60 * self.half_min
        found = [[room_s(day, 60 * shift, half) for day in days] for shift in self.shifts_min]
        return np.array(found, dtype=np.float64).reshape(len(self.shifts_min), len(days), 2)

    def differ(self, zones: Sequence[str]) -> bool:
        """Return whether the labels are other times in one of the zones than in another."""
        each = [t.naive // DAY_S * DAY_S for t in self.head.values()]
        days = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *each]))
        noons = [Clockwork(zone_of(zone)).utc(days + DAY_S // 2) for zone in zones]
        return any(not np.array_equal(noons[0], other) for other in noons[1:])

    def pinned(self) -> str | None:
        """Return the zone that the light leaves alone of all, the site's before others of the same times."""
        found = [
            z for z in self.choices() if self.keeps_changes(z) and self.pins(z) and self.summer_agrees(z)
        ]
        site, *others = self.choices()
        if found and not self.differ(found) and not self._is_as_near(site, found[0]):
            return found[0]
        others = [z for z in others if self.differ([site, z])]
        late = self.late(site)
        is_near = late is not None and abs(late) <= LARGEST_DIFFERENCE_MIN and _fits(self._room(site))
        is_left = is_near and self.keeps_changes(site) and self.summer_agrees(site)
        return site if is_left and others and all(map(self.excludes, others)) else None

    def _is_as_near(self, site: str, zone: str) -> bool:
        """Return whether the light is in the middle of the site's own day, and less so in that of another zone."""
        late, other = self.late(site), self.late(zone)
        is_possible = self.fits(site) and self.keeps_changes(site) and not self.excludes(site)
        return (
            site != zone and is_possible and late is not None and other is not None and abs(late) < abs(other)
        )

    def repeats_hour(self, zone: str) -> bool:
        """Return whether the labels have twice the hour that the clock repeats, as other clocks do at other times."""
        clock = Clockwork(zone_of(zone))
        return any(_repeats_hour(trace.naive, clock) for trace in self.labels[:CHANGES_LOOKED_AT])

    def summer_agrees(self, zone: str) -> bool:
        """Return whether the energy lies alike before and after a change of the clock, as it does in the right zone."""
        return self._once("summer", zone, self._summer_agrees)

    def _summer_agrees(self, zone: str) -> bool:
        clock = Clockwork(zone_of(self.known.zone))
        right = Clockwork(zone_of(zone))
        usual = self._standard()

        def in_summer(naive: IntArray) -> IntArray:
            return np.asarray(clock.both(naive)[0] != usual, dtype=np.int64)

        def in_winter(naive: IntArray) -> IntArray:
            return 1 - in_summer(naive)

        found = [
            centroid_min(self.spread.values(), right.utc, self.known.longitude, chosen=part)
            for part in (in_summer, in_winter)
        ]
        return None in found or abs(found[0] - found[1]) <= LARGEST_DIFFERENCE_MIN  # type: ignore[operator]

    def keeps_changes(self, zone: str) -> bool:
        """Return whether the labels leave out the hour that the clock leaps over, and have twice the one it repeats."""
        return self._once("changes", zone, self._keeps_changes)

    def _keeps_changes(self, zone: str) -> bool:
        clock = Clockwork(zone_of(zone))
        return all(_keeps_changes(trace.naive, clock) for trace in self.labels[:CHANGES_LOOKED_AT])

    def choices(self) -> tuple[str, ...]:
        """Return the zones that a naive label may be of: the site's, UTC, and the site's without summer time."""
        standard = self._standard()
        fixed = (sign(standard),) if standard else ()
        return tuple(dict.fromkeys((self.known.zone, "UTC", *fixed)))

    def years(self) -> set[int]:
        """Return the years that the first rows lie in."""
        edges = [int(t.naive[i]) for t in self.head.values() if t.naive.size for i in (0, -1)]
        return {datetime.fromtimestamp(at, UTC).year for at in edges} or {2026}

    def _standard(self) -> int:
        year = min(self.years())
        zone = zone_of(self.known.zone)
        return min(_offset(datetime(year, month, 1), zone, 0) for month in (1, 7))  # noqa: DTZ001 - a clock's time


def _fits(room: FloatArray) -> bool:
    """Return whether on most days nothing has to be moved."""
    fits = (room[..., 0] <= NEAR_S) & (room[..., 1] >= -NEAR_S)
    return bool(room.size) and bool((fits.mean(axis=1) >= MOST_DAYS).any())


def _is_off(room: FloatArray) -> bool:
    """Return whether on many days something has to be moved far, wherever the intervals lie."""
    off = (room[..., 0] > FAR_S) | (room[..., 1] < -FAR_S)
    return bool(room.size) and bool((off.mean(axis=1) >= MANY_DAYS).all())


def _together(traces: Iterable[Mapping[str, Trace]]) -> dict[str, Trace]:
    return {f"{i} {name}": trace for i, own in enumerate(traces) for name, trace in own.items()}


def _keeps_changes(naive: IntArray, clock: Clockwork) -> bool:
    leaps = np.subtract(*clock.both(naive))
    if np.any(leaps < 0):
        return False
    twice, inside = naive[leaps > 0], (naive.min(), naive.max())
    if not twice.size or twice.min() - inside[0] < QUARTER_S or inside[1] - twice.max() < QUARTER_S:
        return True
    return _is_interrupted(np.unique(naive), twice) or _repeats_hour(naive, clock)


def _is_interrupted(labels: IntArray, at: IntArray) -> bool:
    """Return whether labels leave a gap beside or between some of them: what is missing there may have come twice."""
    first, last = np.searchsorted(labels, [at.min(), at.max()])
    steps = np.diff(labels)
    return bool(steps[max(0, first - 1) : last + 1].max() > np.median(steps))


def _repeats_hour(naive: IntArray, clock: Clockwork) -> bool:
    twice = naive[np.subtract(*clock.both(naive)) > 0]
    return bool(twice.size and np.median(np.unique(twice, return_counts=True)[1]) > 1)


def named_in(headings: str) -> str | None:
    """Return the zone that headings name, None if they name none or several."""
    found = {z for name in words.ZONE_NAME.findall(headings) if (z := _valid(name))}
    found |= {z for m in _IN_HEADING.finditer(headings) if (z := _valid(m[0].replace(" ", "")))}
    return found.pop() if len(found) == 1 else None


def _fixed_in(headings: str, light: Light) -> str | None:
    """Return the offset of a short name of the site's zone, where headings say that no summer time is kept."""
    if not _NO_SUMMER.search(headings):
        return None
    own = own_meanings(light.known.zone, light.years())
    offsets = {offset for short in set(_SHORT.findall(headings)) & own.keys() for offset in own[short]}
    return sign(offsets.pop()) if len(offsets) == 1 else None


def _valid(name: str) -> str | None:
    try:
        zone_of(name)
    except ValueError:
        return None
    return name


def naive_zone(light: Light, headings: str) -> tuple[Guess, Question | None]:
    """Return the zone of labels without offsets, and the question where it is not certain."""
    named = named_in(headings) or _fixed_in(headings, light)
    if named:
        return _named(light, named)
    if worded := zones_named(headings, light.known.zone):
        return _worded(light, worded, headings)
    certain = _certain(light)
    return (certain, None) if certain else _likely(light)


def _worded(light: Light, worded: Sequence[str], headings: str) -> tuple[Guess, Question | None]:
    """Return the zone of a name in words; where summer time is not kept in it or nobody knows, if light tells."""
    fixed = {offset for short in _SHORT.findall(headings) for offset in everywhere().get(short, ())}
    zones = [*worded, *map(sign, sorted(fixed))] if len(fixed) == 1 else [*worded]
    if not light.differ(zones):
        return _named(light, zones[0])
    fitting = [zone for zone in zones if light.fits(zone)]
    if fitting and not light.differ(fitting):
        return _named(light, fitting[0])
    why = told("the name of their zone may mean several")
    choices = tuple(dict.fromkeys((*fitting, *zones, *light.choices())))
    return Guess(zones[0], 0.5, why), _question(choices, why, next(iter(fitting), None), light)


def _certain(light: Light) -> Guess | None:
    """Return the zone that a change of the clock or the light leaves alone of all."""
    site = light.known.zone
    if light.repeats_hour(site):
        return Guess(site, 0.97, told("an hour comes twice, as it does when the site's clock is put back"))
    pinned = light.pinned()
    if pinned is None:
        return None
    return Guess(pinned, 0.95, told("only so all output lies between sunrise and sunset"))


def _likely(light: Light) -> tuple[Guess, Question | None]:
    site = light.known.zone
    if not light.keeps_changes(site):
        why = told("the times do not change as the site's clock does between summer and winter")
        others = tuple(z for z in light.choices() if z != site)
        proposed = next(filter(light.fits, others), None)
        return Guess(proposed or site, 0.5, why), _question(light.choices(), why, proposed, light)
    alike = [z for z in light.choices() if light.may_be(z) and light.keeps_changes(z)]
    if len(light.shifts_min) > 1 and len(alike) > 1 and light.differ(alike):
        why = told(
            "the light fits several zones, unless it is known which end of its interval a time stands at"
        )
        return Guess(site, 0.5, why), _question(light.choices(), why, site if site in alike else None, light)
    if (light.fits(site) or light.is_alone(site)) and light.summer_agrees(site):
        why = told("the site's zone, and the light is in the middle of its solar day")
        return Guess(site, 0.9, why), None
    late = light.late(site)
    if late is None:
        why = told("the times name no zone, and the readings show no whole day of light to tell by")
        return Guess(site, 0.5, why), _question(light.choices(), why, site, light)
    fitting = [z for z in light.choices() if light.fits(z) and light.summer_agrees(z)]
    why = told(
        "in the site's zone the light would be {minutes} min off solar noon, or move with summer time",
        minutes=f"{abs(late):.0f}",
    )
    proposed = fitting[0] if fitting else None
    return Guess(proposed or site, 0.5, why), _question(light.choices(), why, proposed, light)


def doubtful_zone(light: Light, meant: Mapping[str, frozenset[int]]) -> tuple[Guess, Question | None]:
    """Return the zone of times whose names of zones mean several things, and the question where light cannot tell."""
    name, offsets = next(iter(meant.items()))
    zones = [sign(offset) for offset in sorted(offsets)]
    fitting = [z for z in zones if light.fits(z)]
    if len(meant) == 1 and len(fitting) == 1 and not any(map(light.may_be, set(zones) - set(fitting))):
        why = told("{name} is the name of several zones, and only of this one the light can be", name=name)
        return Guess(fitting[0], 0.9, why), None
    why = told("{name} is the name of several zones", name=name)
    choices = tuple(dict.fromkeys((*zones, light.known.zone))) if len(meant) == 1 else light.choices()
    return Guess(light.known.zone, 0.5, why), _question(choices, why, next(iter(fitting), None), light)


def sign(offset_s: int) -> str:
    """Return an offset from UTC such as +01:00."""
    return f"{'-' if offset_s < 0 else '+'}{abs(offset_s) // 3600:02}:{abs(offset_s) % 3600 // 60:02}"


def _question(choices: tuple[str, ...], why: str, proposed: str | None, light: Light) -> Question:
    return asked("timezone", choices, why, proposed, light.known)


def _named(light: Light, named: str) -> tuple[Guess, Question | None]:
    late = light.late(named)
    if late is None or (abs(late) <= light.largest_late_min and light.summer_agrees(named)):
        return Guess(named, 0.97, told("the headings name it")), None
    why = told(
        "the headings say {zone}, in which the light would be {minutes} min off solar noon",
        zone=named,
        minutes=f"{abs(late):.0f}",
    )
    choices = tuple(dict.fromkeys((named, *light.choices())))
    return Guess(named, 0.5, why), _question(choices, why, next(filter(light.fits, choices), None), light)
