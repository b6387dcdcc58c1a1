"""The site record as programs and forms send it: every field, its bounds and its default.

What can be wrong with a record is said here, by field, problem and remedy. Nothing is computed from it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import pairwise
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from service.intake import fields, places, reaching
from service.intake.inputs import Stay, inputs_beside
from service.intake.problems import FieldError, Loc, Refused, Told, details, field_errors, mark, told
from service.store.grids import moment

SMALLEST_RATING, LARGEST_RATING = 0.3, 3.0
"""An inverter's AC rating over its modules' DC rating: outside these bounds one of the two is mistyped."""

EARLIEST, LATEST = date(1980, 1, 1), date(2100, 12, 31)

Errors = Iterator[tuple[Loc, str]]
Model = TypeVar("Model", bound=BaseModel)


def _wrong(text: str) -> PydanticCustomError:
    return PydanticCustomError("record", "{text}", {"text": text})


def _printable(text: str) -> str:
    if not text.isprintable():
        raise _wrong(
            told("must hold printable characters only; remove line breaks, tabs and control characters")
        )
    return text


def _date(value: Any) -> Any:
    found = _read_date(value)
    if found is not None and not EARLIEST <= found <= LATEST:
        raise _wrong(
            told(
                "must lie between {first} and {last}; correct the year", first=EARLIEST.year, last=LATEST.year
            )
        )
    return found


def _read_date(value: Any) -> date | None:
    if value is None or type(value) is date:
        return value
    try:
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            return date.fromisoformat(value)
    except ValueError:
        pass
    raise _wrong(told("must be a date as year-month-day, such as 2026-05-04"))


def _time(value: Any) -> Any:
    if value is None:
        return None
    errors: list[FieldError] = []
    second = fields.time(value, "", errors)
    if errors:
        raise _wrong(errors[0].message)
    return moment(second)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value  # JSON's 2.0 is a 2


def _not_percent(value: Any) -> Any:
    if _is_number(value) and 1 < value <= 100:
        raise _wrong(told("is in percent; give a fraction, such as 0.965 for 96.5 %"))
    return value


def _latitude(value: Any) -> Any:
    if _is_number(value) and abs(value) > 90:
        raise _wrong(told("must be between -90 and 90 degrees; latitude and longitude may be exchanged"))
    return value


def _not_kilowatts(value: Any) -> Any:
    if _is_number(value) and 0 < value < 5:
        raise _wrong(told("looks like kW; give W, such as 400 for 0.4 kW"))
    return value


def _falling_per_degree(value: Any) -> Any:
    if not _is_number(value):
        return value
    in_percent = 0.05 <= abs(value) <= 5
    if value > 0 and in_percent:
        raise _wrong(
            told(
                "has the wrong sign (power falls as the cell warms): give it negative and is in percent per °C: divide "
                "it by 100, such as -0.0035 for -0.35 % per °C"
            )
        )
    if value > 0:
        raise _wrong(
            told(
                "has the wrong sign (power falls as the cell warms): give it negative, such as -0.0035 for -0.35 % "
                "per °C"
            )
        )
    if in_percent:
        raise _wrong(told("is in percent per °C: divide it by 100, such as -0.0035 for -0.35 % per °C"))
    return value


def _text(longest: int) -> Any:
    return StringConstraints(strip_whitespace=True, min_length=1, max_length=longest)


Name = Annotated[str, _text(100), AfterValidator(_printable)]
Serial = Annotated[str, _text(80), AfterValidator(_printable)]
Date = Annotated[date, BeforeValidator(_date)]
Time = Annotated[AwareDatetime, BeforeValidator(_time)]
Azimuth = Annotated[float, Field(ge=0, le=360, description="Degrees clockwise from true north.")]
Whole = Annotated[int, BeforeValidator(_whole)]
Watts = Annotated[float, BeforeValidator(_not_kilowatts)]
Loss = Annotated[float, Field(ge=0, le=0.5, description="A fraction.")]


class Part(BaseModel):
    """What all records have in common: exact types, no unknown field, no NaN and no infinity."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


class HorizonPoint(Part):
    """A point of the skyline as seen from the plane."""

    azimuth_deg: Azimuth
    elevation_deg: float = Field(ge=0, le=90)


class PlaneRecord(Part):
    """One roof plane."""

    name: Name
    tilt_deg: float = Field(ge=0, le=90, description="Degrees from horizontal.")
    azimuth_deg: Azimuth
    horizon: list[HorizonPoint] = Field(default=[], max_length=720)
    albedo: float = Field(default=0.2, ge=0, le=1)
    mounting: Literal["close_roof", "insulated_back", "open_rack"] = "close_roof"
    rows: Whole | None = Field(default=None, ge=1, le=1000, description="Rows of the plan, from row 1 on.")
    columns: Whole | None = Field(default=None, ge=1, le=1000, description="Columns of the plan, from 1 on.")


class ModuleTypeRecord(Part):
    """A module's datasheet values."""

    name: Name
    pmax_w: Watts = Field(gt=0, le=2000, description="One module's rated power, W.")
    gamma_pmax_per_c: Annotated[float, BeforeValidator(_falling_per_degree)] = Field(
        default=-0.0035, ge=-0.02, le=0, description="Power coefficient, 1/°C, negative."
    )
    substrings: Whole = Field(default=3, ge=1, le=12)
    low_light_k: float = Field(default=0.01, ge=0, le=0.1)


class InverterTypeRecord(Part):
    """An inverter's datasheet values."""

    name: Name
    ac_rated_w: Watts = Field(gt=0, le=200_000, description="Rated AC power of the whole inverter, W.")
    efficiency: Annotated[float, BeforeValidator(_not_percent)] = Field(default=0.96, ge=0.5, le=1)


class BranchRecord(Part):
    """An AC branch circuit."""

    name: Name


class UnitRecord(Part):
    """One small inverter, or one separately metered input of it (`SERIAL/2`), with its modules.

    Such inputs name the whole inverter's type and have equal shares of its rating.
    """

    serial: Serial
    plane: Name
    module_type: Name
    inverter_type: Name
    module_count: Whole = Field(default=1, ge=1, le=60)
    row: Whole | None = Field(default=None, ge=0, le=1000)
    column: Whole | None = Field(default=None, ge=0, le=1000)
    branch: Name | None = None
    from_: Date | None = Field(default=None, alias="from", description="First local day on the roof.")
    until: Date | None = Field(default=None, description="First local day no longer on the roof.")

    @property
    def position(self) -> tuple[str, int, int] | None:
        """Return plane, row and column, None where the record does not say."""
        return None if self.row is None or self.column is None else (self.plane, self.row, self.column)

    @property
    def stay(self) -> Stay:
        """Return whose inverter it is on the roof, and when."""
        return Stay(self.serial, self.from_, self.until)


class ContactRecord(Part):
    """Whom the owner calls."""

    name: Name
    phone: Annotated[str, _text(40), AfterValidator(reaching.phone)] | None = None
    email: Annotated[str, _text(254), AfterValidator(reaching.email)] | None = None

    @model_validator(mode="after")
    def _can_be_reached(self) -> ContactRecord:
        if self.phone is None and self.email is None:
            raise _wrong(told("has neither phone nor email; give one of them, or leave contact out"))
        return self


class LossesRecord(Part):
    """Losses that every unit has."""

    soiling: Loss = 0.02
    connections: Loss = 0.005
    light_induced_degradation: Loss = 0.015
    nameplate: Loss = 0.01


LATEST_CLOCK_MIN = 24 * 60
"""Labels further off than a day are no clock's error."""


class ClockChange(Part):
    """From a label on, the labels of the readings are late: they are moved back before a verification."""

    from_: Time | None = Field(
        default=None,
        alias="from",
        description="The first label, as sent, of which it is true; null: from ever.",
    )
    minutes: Whole = Field(
        ge=-LATEST_CLOCK_MIN,
        le=LATEST_CLOCK_MIN,
        description="How many minutes after the true time the labels are; negative: before it; 0: right again.",
    )


class SiteRecord(Part):
    """Everything about a site that its verification needs."""

    name: Annotated[str, _text(200), AfterValidator(_printable)]
    address: Annotated[str, _text(300), AfterValidator(_printable)] | None = Field(
        default=None, description="Where the crew drives to; printed on the job sheet."
    )
    latitude: Annotated[float, BeforeValidator(_latitude)] = Field(
        ge=-90, le=90, description="Degrees, north positive."
    )
    longitude: float = Field(ge=-180, le=180, description="Degrees, east positive.")
    elevation_m: float = Field(default=0.0, ge=-500, le=9000)
    timezone: Name = Field(description="A name of the time zone database, such as Europe/London.")
    commissioned_on: Date | None = None
    planes: list[PlaneRecord] = Field(min_length=1, max_length=200)
    module_types: list[ModuleTypeRecord] = Field(min_length=1, max_length=200)
    inverter_types: list[InverterTypeRecord] = Field(min_length=1, max_length=200)
    branches: list[BranchRecord] = Field(default=[], max_length=500)
    units: list[UnitRecord] = Field(min_length=1, max_length=5000)
    clock: list[ClockChange] = Field(
        default=[],
        max_length=100,
        description="Where the readings' labels are not the true time, in their order.",
    )
    losses: LossesRecord = LossesRecord()
    contact: ContactRecord | None = Field(
        default=None, description="Whom the owner calls, where it is not the firm that the settings name."
    )
    turbidity: float | None = Field(default=None, ge=1, le=15, description="Linke turbidity.")
    air_temp_c: float | None = Field(default=None, ge=-60, le=60)

    @field_validator("timezone")
    @classmethod
    def _known_timezone(cls, name: str) -> str:
        if name not in places.timezone_names():
            near = places.nearest_name(name)
            if near:
                raise _wrong(
                    told(
                        "is not a known timezone; use {near}, say, or a name such as Europe/London", near=near
                    )
                )
            raise _wrong(told("is not a known timezone; use a name such as Europe/London"))
        return name

    @model_validator(mode="after")
    def _fits_together(self) -> SiteRecord:
        checks = (_place, _names, _horizons, _references, _serials, _times, _positions, _ratings, _clock)
        found = [error for check in checks for error in check(self)]
        if found:
            raise details(found, "SiteRecord")
        return self


class BegunRecord(SiteRecord):
    """A site as people begin it: its plan may still be empty."""

    units: list[UnitRecord] = Field(default=[], max_length=5000)


def read_begun(data: Any) -> BegunRecord:
    """Return the record of a site that may have no unit yet; Refused with one error per bad field."""
    return read(BegunRecord, data)


def read_record(data: Any) -> SiteRecord:
    """Return the record; Refused with one error per bad field."""
    return read(SiteRecord, data)


def read(model: type[Model], data: Any, known: Callable[[Loc], Iterable[str]] | None = None) -> Model:
    """Return the data as the model; Refused with one error per bad field, which names the fields known beside it."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False, include_input=False)
        raise Refused(field_errors(found, known or known_fields)) from error


def as_stored(record: SiteRecord) -> dict[str, Any]:
    """Return the record with its defaults as JSON."""
    return record.model_dump(mode="json", by_alias=True)


_PARTS: Mapping[str, type[Part]] = {
    "planes": PlaneRecord,
    "horizon": HorizonPoint,
    "module_types": ModuleTypeRecord,
    "inverter_types": InverterTypeRecord,
    "branches": BranchRecord,
    "units": UnitRecord,
    "clock": ClockChange,
    "losses": LossesRecord,
    "contact": ContactRecord,
}


def known_fields(loc: Loc) -> list[str]:
    """Return the fields that exist where `loc` names an unknown one."""
    parents = [part for part in loc[:-1] if isinstance(part, str)]
    return field_names(_PARTS.get(parents[-1], SiteRecord) if parents else SiteRecord)


def field_names(model: type[BaseModel]) -> list[str]:
    """Return a model's fields as they are sent."""
    return [field.alias or name for name, field in model.model_fields.items()]


# What one field alone does not show


def _place(record: SiteRecord) -> Errors:
    place = (record.latitude, record.longitude)
    if places.looks_swapped(place, record.timezone):
        for field in ("latitude", "longitude"):
            yield (
                (field,),
                told(
                    "latitude and longitude look swapped for {zone}; exchange the two", zone=record.timezone
                ),
            )
        return
    distance = places.distance_to_timezone_km(place, record.timezone)
    if distance is not None and distance > places.FAR_KM:
        yield (
            ("timezone",),
            told(
                "lies {distance} km from this latitude and longitude; correct whichever is wrong (north and east are "
                "positive, south and west negative)",
                distance=round(distance),
            ),
        )


def _twins(keys: Iterable[Any]) -> Iterator[tuple[int, int]]:
    """Give the place of every key that came before, and where it came first; None is no key."""
    first: dict[Any, int] = {}
    for i, key in enumerate(keys):
        if key is not None and first.setdefault(key, i) != i:
            yield i, first[key]


def _names(record: SiteRecord) -> Errors:
    for group in ("planes", "module_types", "inverter_types", "branches"):
        for i, first in _twins(entry.name for entry in getattr(record, group)):
            yield (
                (group, i, "name"),
                told("is also the name of {other}; give each its own", other=f"{group}[{first}]"),
            )


def _horizons(record: SiteRecord) -> Errors:
    for i, plane in enumerate(record.planes):
        for j, first in _twins(point.azimuth_deg for point in plane.horizon):
            yield (
                ("planes", i, "horizon", j, "azimuth_deg"),
                told("is also that of {other}; keep one", other=f"horizon[{first}]"),
            )


def _references(record: SiteRecord) -> Errors:
    groups = {
        "plane": "planes",
        "module_type": "module_types",
        "inverter_type": "inverter_types",
        "branch": "branches",
    }
    named = {field: {entry.name for entry in getattr(record, group)} for field, group in groups.items()}
    for i, unit in enumerate(record.units):
        for field, group in groups.items():
            name = getattr(unit, field)
            if name is not None and name not in named[field]:
                yield (
                    ("units", i, field),
                    told("names none of the {group}; add it there or correct the name", group=group),
                )


def _serials(record: SiteRecord) -> Errors:
    for i, first in _twins(unit.serial for unit in record.units):
        yield (
            ("units", i, "serial"),
            told("is also the serial of {other}; correct the one that is mistyped", other=f"units[{first}]"),
        )


def _times(record: SiteRecord) -> Errors:
    for i, unit in enumerate(record.units):
        if unit.from_ and unit.until and unit.until <= unit.from_:
            yield ("units", i, "until"), told("must be later than from; exchange or correct the dates")


def _positions(record: SiteRecord) -> Errors:
    standing: dict[tuple[str, int, int], list[int]] = {}
    stays = [unit.stay for unit in record.units]
    for i, unit in enumerate(record.units):
        if unit.position is None:
            continue
        there = standing.setdefault(unit.position, [])
        for j in there:
            if stays[i].device != stays[j].device and stays[i].overlaps(stays[j]):
                yield ("units", i, "row"), _same_position(unit, j)
                break
        there.append(i)


def _same_position(unit: UnitRecord, other: int) -> str:
    return told(
        "row {row}, column {column} of the plane is also the position of {other}; correct one, or if one took the "
        "other's place, give the old unit 'until' and the new one 'from'",
        row=unit.row,
        column=unit.column,
        other=f"units[{other}]",
    )


def _ratings(record: SiteRecord) -> Errors:
    """Find inverters far from the power of their modules, on all of their inputs."""
    pmax = {m.name: m.pmax_w for m in record.module_types}
    rated = {t.name: t.ac_rated_w for t in record.inverter_types}
    dc_w = [pmax.get(unit.module_type, 0) * unit.module_count for unit in record.units]
    for i, inputs in enumerate(inputs_beside([unit.stay for unit in record.units])):
        ac_w, modules_w = rated.get(record.units[i].inverter_type), sum(dc_w[j] for j in inputs)
        if ac_w and modules_w and not SMALLEST_RATING <= ac_w / modules_w <= LARGEST_RATING:
            yield ("units", i, "inverter_type"), _out_of_proportion(ac_w, modules_w, len(inputs))


_PROPORTIONS = {
    (True, False): mark("is rated {rated} W, more than 3 times the {modules} W of its modules; {remedy}"),
    (True, True): mark(
        "is rated {rated} W, more than 3 times the {modules} W of its modules on its {inputs} inputs; {remedy}"
    ),
    (False, False): mark("is rated {rated} W, less than 0.3 times the {modules} W of its modules; {remedy}"),
    (False, True): mark(
        "is rated {rated} W, less than 0.3 times the {modules} W of its modules on its {inputs} inputs; {remedy}"
    ),
}
_RATINGS_REMEDY = mark("correct ac_rated_w (the whole inverter's), pmax_w or module_count")


def _out_of_proportion(ac_w: float, modules_w: float, inputs: int) -> Told:
    return told(
        _PROPORTIONS[ac_w > modules_w, inputs > 1],
        rated=f"{ac_w:g}",
        modules=f"{modules_w:g}",
        inputs=inputs,
        remedy=told(_RATINGS_REMEDY),
    )


def _clock(record: SiteRecord) -> Errors:
    return clock_errors(record.clock, "clock")


def clock_errors(changes: Sequence[ClockChange], name: str) -> Errors:
    """Give what is wrong with the order of a clock's changes, which the field `name` lists."""
    for i, (earlier, later) in enumerate(pairwise(changes), start=1):
        if later.from_ is None:
            yield (
                (name, i, "from"),
                told("is missing; only the first entry may hold from ever on, give the time"),
            )
        elif earlier.from_ == later.from_:
            yield (name, i, "from"), told("is also that of {other}; keep one", other=f"{name}[{i - 1}]")
        elif earlier.from_ is not None and later.from_ < earlier.from_:
            yield (
                (name, i, "from"),
                told("is earlier than that of {other}; put the entries in order", other=f"{name}[{i - 1}]"),
            )
