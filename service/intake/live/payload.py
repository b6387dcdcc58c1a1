"""What one message of a live source holds: told by a person once, then read message by message.

A message is JSON or a plain number. It is material from outside: whatever it holds, reading it raises nothing, takes
time in proportion to its size, and what cannot be understood is said with its place.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from service.intake.live import paths
from service.intake.live.model import KINDS, Sample, same_channel
from service.intake.live.paths import Node, WrongPath
from service.intake.live.scalars import WrongValue, moment_of, number
from service.intake.problems import FieldError, Told, details, told

LARGEST_BYTES = 1_000_000
MOST_ROWS = 10_000
PROBLEMS_LISTED = 20
LONGEST_SERIAL = 80

AHEAD = timedelta(hours=24)
"""A moment further ahead of its arrival is a wrong clock or a wrong zone."""

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
Problems = list[FieldError]


def _wrong(message: Told) -> PydanticCustomError:
    return PydanticCustomError("payload", "{text}", {"text": message})


def _path(text: str) -> str:
    try:
        paths.check(text)
    except WrongPath as error:
        raise _wrong(error.message) from None
    return text


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise _wrong(told("is not a known timezone; use a name such as Europe/London")) from None
    return name


Zone = Annotated[str, Field(max_length=80), AfterValidator(_zone)]


def _level(value: Any) -> Any:
    return str(value) if type(value) is int else value


def _factor(value: float) -> float:
    if value == 0:
        raise _wrong(told("must not be 0; leave it out where the value is right as it is"))
    return value


Path = Annotated[str, Field(max_length=paths.LONGEST), AfterValidator(_path)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SerialFrom(_Part):
    """Where a row's serial is: one of the four."""

    path: Path | None = None
    level: Annotated[str, Field(min_length=1, max_length=80), BeforeValidator(_level)] | None = None
    """A level of the topic, by the name that the filter gives it or counted from 1."""
    member: bool = False
    """The name of the member that the row is, as in {"482913377001": {…}}."""
    constant: Annotated[str, Field(min_length=1, max_length=LONGEST_SERIAL)] | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [self.path, self.level, self.constant, self.member or None]
        if sum(g is not None for g in given) != 1:
            raise _wrong(told("must be one of path, level, member and constant; give just one"))
        return self


class TimeFrom(_Part):
    """Where a row's moment is; a time without an offset needs the `timezone` of its clock."""

    path: Path
    timezone: Zone | None = None


class ValueFrom(_Part):
    """Where a value is, and what it is multiplied by."""

    path: Path = "@"
    factor: Annotated[float, Field(allow_inf_nan=False), AfterValidator(_factor)] = 1.0


_Value = Annotated[ValueFrom, BeforeValidator(lambda v: {"path": v} if isinstance(v, str) else v)]


class PayloadSpec(_Part):
    """How samples are found in one message.

    Paths begin with `$` for the message or `@` for one of its rows: `{"rows": "$.units", "serial": {"path":
    "@.sn"}, "time": {"path": "$.sent"}, "values": {"power_w": "@.power"}, "interval_min": 5}`.
    """

    format: Literal["json", "number"] = "json"
    rows: Path = "$"
    """Lists whose entries are the rows; what it leads to that is no list is a row itself."""
    serial: SerialFrom
    time: TimeFrom | None = None
    """Without it, a value belongs to the moment of its arrival, and what waited somewhere is not taken."""
    values: Annotated[dict[str, _Value], Field(min_length=1)]
    label: Literal["start", "end"] | None = None
    """Of an energy's interval: the end that its time names."""
    interval_min: Literal[5, 10, 15, 30, 60]

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        found = [
            *self._unknown_kinds(),
            *self._said_twice(),
            *self._rows_wrong(),
            *self._plain_wrong(),
            *self._energy_wrong(),
        ]
        if found:
            raise details(found, type(self).__name__)
        return self

    def _unknown_kinds(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        for kind in self.values:
            if kind not in KINDS:
                known = ", ".join(KINDS)
                yield (
                    ("values", kind),
                    told("is not a value that is kept; it must be one of {known}", known=known),
                )

    def _said_twice(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        for first, *others in same_channel(kind for kind in self.values if kind in KINDS):
            for kind in others:
                text = told("says the same of a unit as {first} does; leave one of the two out", first=first)
                yield ("values", kind), text

    def _rows_wrong(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        if not self.rows.startswith("$"):
            yield ("rows",), told("must begin with $: rows are found in the message")

    def _plain_wrong(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        if self.format != "number":
            return
        read = {
            "rows": self.rows != "$",
            "time": self.time is not None,
            "serial": self.serial.path or self.serial.member,
        }
        for name, given in read.items():
            if given:
                yield (name,), told("cannot be read from a message that is a plain number; leave it out")
        if len(self.values) != 1 or any(v.path not in ("@", "$") for v in self.values.values()):
            yield ("values",), told("must be one value without a path: the message is the number")

    def _energy_wrong(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        energies = [kind for kind in self.values if kind.startswith("energy")]
        if energies and self.label is None:
            yield (
                ("label",),
                told("is required for energies: whether a time is the start or the end of its interval"),
            )
        if energies and self.time is None:
            yield (
                ("time",),
                told("is required for energies: by its arrival a message that comes twice would count twice"),
            )


def samples_of(
    spec: PayloadSpec, payload: bytes, arrived: datetime, levels: Mapping[str, str] | None = None
) -> tuple[list[Sample], Problems]:
    """Return a message's samples and what of it was not understood; it raises nothing.

    `levels` are those of the topic, by name and by number from 1.
    """
    found: list[Sample] = []
    problems: Problems = []
    try:
        message = _message(spec, payload)
        rows = _rows(spec.rows, message)
    except (WrongValue, WrongPath) as error:
        return [], [FieldError("", error.message)]
    if rows is None:
        return [], [
            FieldError(spec.rows, told("leads to nothing in the message; correct the path of the rows"))
        ]
    for row in rows[:MOST_ROWS]:
        found += _of_row(spec, message, row, arrived, levels or {}, problems)
    if len(rows) > MOST_ROWS:
        problems.append(
            FieldError(
                spec.rows, told("leads to more than {most} rows; the rest was left out", most=MOST_ROWS)
            )
        )
    if not found and not problems:
        asked = ", ".join(v.path for v in spec.values.values())
        problems.append(
            FieldError(
                "", told("holds none of the values asked for ({asked}); correct the paths", asked=asked)
            )
        )
    return found, _listed(problems)


def _listed(problems: Problems) -> Problems:
    more = len(problems) - PROBLEMS_LISTED
    if more <= 0:
        return problems
    return [
        *problems[:PROBLEMS_LISTED],
        FieldError("", told("{more} more problems; correct those above first", more=more)),
    ]


def _message(spec: PayloadSpec, payload: bytes) -> Any:
    if len(payload) > LARGEST_BYTES:
        raise WrongValue(told("has more than {most} bytes; send it in parts", most=LARGEST_BYTES))
    try:
        text = payload.decode("utf-8-sig")
        return text if spec.format == "number" else json.loads(text)
    except UnicodeDecodeError:
        raise WrongValue(told("is not readable text (UTF-8)")) from None
    except RecursionError:
        raise WrongValue(told("is nested too deeply to be read")) from None
    except ValueError:
        raise WrongValue(told("is not valid JSON; check quotation marks, commas and brackets")) from None


def _rows(path: str, message: Any) -> list[Node] | None:
    """Return the rows, None if the path leads nowhere."""
    nodes = paths.nodes(path, message, message, MOST_ROWS + 1)
    found: list[Node] = []
    for node in nodes:
        if isinstance(node.value, list):
            entries = enumerate(node.value[: MOST_ROWS + 1])
            found += [Node(entry, f"{node.place}[{i}]", node.name) for i, entry in entries]
        else:
            found.append(node)
    return found if nodes else None


def _of_row(
    spec: PayloadSpec,
    message: Any,
    row: Node,
    arrived: datetime,
    levels: Mapping[str, str],
    problems: Problems,
) -> Iterator[Sample]:
    values = list(_values(spec, message, row, problems))
    if not values:
        return
    try:
        serial = _serial(spec.serial, message, row, levels)
    except WrongValue as error:
        problems.append(FieldError(_place(row, spec.serial.path or "serial"), error.message))
        return
    try:
        at = arrived if spec.time is None else _time(spec.time, message, row, arrived)
    except WrongValue as error:
        problems.append(FieldError(_place(row, spec.time.path if spec.time else "time"), error.message))
        return
    for kind, value in values:
        yield Sample(serial, kind, at.astimezone(UTC), value)


def _place(row: Node, path: str) -> str:
    """Return where in the message a path leads, for people."""
    return f"{row.place}{path[1:]}" if path.startswith("@") else path


def _values(spec: PayloadSpec, message: Any, row: Node, problems: Problems) -> Iterator[tuple[str, float]]:
    for kind, source in spec.values.items():
        try:
            given = _only(source.path, message, row.value)
            value = None if given is None else number(given) * source.factor
            if value is not None and not isfinite(value):
                raise WrongValue(told("is not a finite number"))
        except WrongValue as error:
            problems.append(FieldError(_place(row, source.path), error.message))
        else:
            if value is not None:
                yield kind, value


def _only(path: str, message: Any, row: Any) -> Any:
    try:
        found = paths.nodes(path, message, row, 2)
    except WrongPath as error:
        raise WrongValue(error.message) from None
    if len(found) > 1:
        raise WrongValue(told("leads to several values; make the path lead to one"))
    return found[0].value if found else None


def _serial(source: SerialFrom, message: Any, row: Node, levels: Mapping[str, str]) -> str:
    given = _serial_given(source, message, row, levels)
    if given is None:
        raise WrongValue(told("names no unit: there is no serial where the path, level or member says"))
    if isinstance(given, bool) or not isinstance(given, int | str):
        raise WrongValue(told("must be a serial: a text, or a whole number"))
    serial = _whole(given) if isinstance(given, int) else given.strip()
    if not 0 < len(serial) <= LONGEST_SERIAL or not serial.isprintable():
        raise WrongValue(told("must be a serial of 1 to {most} printable characters", most=LONGEST_SERIAL))
    return serial


def _whole(given: int) -> str:
    return str(given) if abs(given) < 10**LONGEST_SERIAL else ""


def _serial_given(source: SerialFrom, message: Any, row: Node, levels: Mapping[str, str]) -> Any:
    if source.path is not None:
        return _only(source.path, message, row.value)
    if source.level is not None:
        return levels.get(source.level)
    return source.constant if source.constant is not None else row.name


def _time(source: TimeFrom, message: Any, row: Node, arrived: datetime) -> datetime:
    given = _only(source.path, message, row.value)
    if given is None:
        raise WrongValue(told("holds no time; correct the path, or leave the time out"))
    at = moment_of(given, source.timezone, arrived)
    if at < EARLIEST:
        raise WrongValue(told("lies before the year {year}; set the clock of the device", year=EARLIEST.year))
    if at > arrived + AHEAD:
        raise WrongValue(
            told("lies more than a day ahead of its arrival; set the clock of the device, or the time zone")
        )
    return at
