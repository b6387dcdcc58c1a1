"""What is known of a file: guesses with their reasons, open questions, and the recipe by which it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal, Protocol

from service.store.grids import FloatArray

Order = Literal["dmy", "mdy", "ymd"]
Dash = Literal["missing", "night", "zero"]

QUANTITIES = {
    "power_w": 1.0,
    "power_kw": 1000.0,
    "energy_wh": 1.0,
    "energy_kwh": 1000.0,
    "counter_wh": 1.0,
    "counter_kwh": 1000.0,
}
"""What a value can be, with the factor to W or Wh; a counter runs on, the others hold for one interval."""


@dataclass(frozen=True)
class Place:
    """Where a unit lies on the plan; row and column may be unknown."""

    plane: str
    row: int | None = None
    column: int | None = None


class ShownEnd(Protocol):
    """Which end of their intervals the light shows times to be, on how many days, and whether beyond doubt."""

    @property
    def is_end(self) -> bool: ...

    @property
    def days(self) -> int: ...

    @property
    def is_sure(self) -> bool: ...


class Roof(Protocol):
    """What physics says of the recorded roof, of which nothing is known here; seconds since 1970, UTC, by starts."""

    def clear_wh(
        self, start: int, interval_min: int, count: int, *, laid_flat: bool = False
    ) -> Mapping[str, FloatArray]:
        """Return by serial what each unit gives under a clear sky in each interval, Wh; or would give if laid flat."""

    def shown_end(
        self, start: int, interval_min: int, energy_wh: Mapping[str, FloatArray]
    ) -> ShownEnd | None:
        """Return which end the times are by the light, None where it leaves that open; NaN where nothing is known."""


@dataclass(frozen=True)
class Known:
    """What the site's record says: serials, zone, the largest AC rating of a unit, where the site and its units are."""

    serials: tuple[str, ...]
    zone: str
    rated_w: float
    longitude: float
    latitude: float = 0.0
    places: Mapping[str, Place] = field(default_factory=dict)
    now: float | None = None
    """Seconds since 1970, UTC: what was made was made before."""
    roof: Roof | None = None

    @classmethod
    def of_record(
        cls, record: Mapping[str, Any], now: float | None = None, roof: Roof | None = None
    ) -> Known:
        """Return what a stored site record says, and physics of it."""
        rated = max(float(t["ac_rated_w"]) for t in record["inverter_types"])
        places = {u["serial"]: Place(u["plane"], u.get("row"), u.get("column")) for u in record["units"]}
        longitude, latitude = float(record["longitude"]), float(record["latitude"])
        return cls(tuple(places), record["timezone"], rated, longitude, latitude, places, now, roof)


@dataclass(frozen=True)
class Guess:
    """A property of the file as proposed, how sure it is (0 to 1), and why."""

    value: Any
    confidence: float
    why: str


@dataclass(frozen=True)
class Part:
    """A name that the file uses, where each needs a choice of its own; `proposed` is the likely one, if any is."""

    name: str
    proposed: str | None = None


@dataclass(frozen=True)
class Question:
    """What only a person can say; `proposed` is the likely choice, if any is.

    `text` asks it in plain words, and `labels` says in them what each choice means, in the order of the choices. With
    `parts` the answer is a choice for each part, as `asking.joined` writes it; `proposed` is it, if all are likely.
    """

    key: str
    choices: tuple[str, ...]
    why: str
    proposed: str | None = None
    text: str = ""
    labels: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class Column:
    """A column of values; without a serial each row names its own. Without a channel it is of the recipe's quantity.

    A value is what stands in the cell, times `factor`; one of a channel plus `shift`, too.
    """

    index: int
    serial: str | None
    channel: str = ""
    factor: float = 1.0
    shift: float = 0.0


@dataclass(frozen=True)
class Recipe:
    """How a table is read; `zone` is None where each time carries its offset.

    `aliases` holds the serials of names that rows use; a row of a name without one is left out. `intervals` holds for
    each serial whose interval changes or is not `interval_min` from which second on its clock each holds. `irregular`
    are powers at moments of any distance, laid into intervals by the time between them. If `is_shuffled`, rows stand in
    no order of time. `meant` are the offsets in seconds that short names of zones mean, where times have such names.
    """

    first_row: int
    time_columns: tuple[int, ...]
    order: Order
    zone: str | None
    label: str
    interval_min: int
    quantity: str
    decimal: str
    columns: tuple[Column, ...]
    serial_column: int | None = None
    aliases: Mapping[str, str] = field(default_factory=dict)
    newest_first: bool = False
    intervals: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    irregular: bool = False
    markers: tuple[float, ...] = ()
    """Numbers that stand for no value."""
    is_shuffled: bool = False
    meant: Mapping[str, int] = field(default_factory=dict)
    dash: Dash = "missing"
    """What a cell with a dash says: no value, nothing made (`zero`), or nothing made by night (`night`)."""
    width: int = 0
    """How many cells a row has; a number beyond them shows that the cells before have moved. 0: any."""


@dataclass(frozen=True)
class Proposal:
    """What a table is taken for. It can be read if it has a recipe and no question is open."""

    table: str
    guesses: Mapping[str, Guess]
    questions: tuple[Question, ...] = ()
    warnings: tuple[str, ...] = ()
    refused: str | None = None
    recipe: Recipe | None = None
    light: Any = None
    """What its rows show of the light, by which the tables of one file are judged together."""
    says: tuple[str, ...] = ()
    """What its headings say of the values: tables in which it is the same hold the same."""
    is_said: bool = False
    """The headings of its values say themselves what they are."""

    def as_json(self) -> dict[str, Any]:
        """Return it for programs, without the recipe."""
        found = asdict(replace(self, recipe=None, light=None))
        del found["recipe"], found["light"], found["says"], found["is_said"]
        return found
