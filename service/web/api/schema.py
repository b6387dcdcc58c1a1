"""The bodies and answers as the API's description shows them. For description only: `intake` reads the bodies."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import FastAPI
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from pydantic.json_schema import models_json_schema

from service.intake.correction import Correction
from service.intake.live.feed import FeedsRecord
from service.intake.noted import CounterNotes
from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE
from service.intake.record import SiteRecord
from service.verify.result import UnitResult
from service.web.errors import Problem

REF = "#/components/schemas/{model}"

Interval = Literal[5, 10, 15, 30, 60]
Values = list[float | None]
BySerial = Annotated[dict[Annotated[str, Field(min_length=1, max_length=80)], Values], Field()]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class TableBody(_Body):
    """Readings of many units on one grid from `start` on; null: not heard. Lists may differ in length."""

    interval_min: Interval
    start: AwareDatetime
    energy_wh: BySerial | None = None
    power_w: BySerial | None = Field(default=None, description="Mean over the interval, instead of energy.")
    dc_voltage_v: BySerial | None = None
    ac_voltage_v: BySerial | None = None
    frequency_hz: BySerial | None = None
    temperature_c: BySerial | None = None
    signal_pct: BySerial | None = None
    further: list[RowsBody | TableBody] = Field(default=[], description="Readings on other grids.")


class ReadingBody(_Body):
    """One reading of one unit."""

    serial: str = Field(min_length=1, max_length=80)
    start: AwareDatetime
    energy_wh: float | None = None
    power_w: float | None = None
    dc_voltage_v: float | None = None
    ac_voltage_v: float | None = None
    frequency_hz: float | None = None
    temperature_c: float | None = None
    signal_pct: float | None = None


class RowsBody(_Body):
    """Readings one by one."""

    interval_min: Interval
    readings: list[ReadingBody]
    further: list[RowsBody | TableBody] = Field(default=[], description="Readings on other grids.")


class WeatherBody(_Body):
    """Weather on one grid from `start` on; null: not measured. Each list is optional, one is needed."""

    interval_min: Interval
    start: AwareDatetime
    ghi_w_m2: Values | None = None
    dni_w_m2: Values | None = None
    dhi_w_m2: Values | None = None
    air_temp_c: Values | None = None
    wind_m_s: Values | None = None
    poa_w_m2: dict[str, Values] | None = Field(default=None, description="By the plane's name.")


AnyCorrection = Annotated[Correction, Field(discriminator="kind")]


class CorrectionBody(_Body):
    """A correction of the site record: what a finding proposes, or any other that fits the record."""

    correction: AnyCorrection


class ProblemEntry(BaseModel):
    """A value that was kept out and why; without a serial a remark about the whole batch."""

    serial: str | None
    start: AwareDatetime | None
    field: str | None
    value: float | None
    message: str


class ReceiptAnswer(BaseModel):
    """What became of a batch. A null counts as neither accepted nor rejected."""

    accepted: int = Field(description="Values kept where none was held before.")
    replaced: int = Field(
        description="Values kept in the place of an earlier one, which may have been equal."
    )
    rejected: int = Field(description="Values that cannot be right, kept out.")
    problems: list[ProblemEntry] = Field(description="Up to 1000, with a last entry that counts the others.")


class ServiceAnswer(BaseModel):
    """What an open weather service told of the window; nothing is judged by its light."""

    name: str
    fetched_at: datetime
    air_temp: bool = Field(description="Whether the air temperature is its, in part at least.")
    light_over_array: float | None = Field(
        description="Its global irradiation over that which the units show."
    )
    low: float | None = Field(description="Two standard uncertainties of both below it.")
    high: float | None


class SkyAnswer(BaseModel):
    """The sky of the window."""

    model_config = ConfigDict(extra="allow")

    source: Literal["array", "measured", "clear_sky"]
    clear_share: float | None
    light: Literal["enough", "little", "none"]
    more_minutes: float | None = Field(
        description="About how many more minutes of light a verdict on every unit needs; null: enough, or unknown."
    )
    air_temp_sd_k: float | None = Field(
        description="Standard uncertainty of the air temperature; null: no light."
    )
    temperature_sd: float | None = Field(
        description="What it leaves open, a share: of performance ratios under the units' sky, else of indices."
    )
    service: ServiceAnswer | None = Field(description="null: no open weather service was asked.")


class FindingAnswer(BaseModel):
    """One named cause; some causes carry fields of their own beside these."""

    model_config = ConfigDict(extra="allow")

    cause: str
    serials: list[str]
    plane: str | None
    branch: str | None
    confidence: float
    first_seen: AwareDatetime | None
    last_seen: AwareDatetime | None
    lost_wh: float | None
    annual_loss_kwh: float | None
    evidence: str
    advice: str
    correction: AnyCorrection | None = Field(
        default=None, description="Of the record, where that is what is wrong; POST it to /corrections."
    )


class UnseenAnswer(BaseModel):
    """A cause that this window does not allow to judge, and what is missing for it."""

    cause: str
    plane: str | None = Field(description="The plane, where it is one alone.")
    planes: list[str] = Field(description="Empty with `serials` empty: the whole site.")
    serials: list[str] = Field(description="Empty: all units there.")
    missing: str
    needs: dict[str, float] = Field(description="The numbers in `missing` by name: minutes, hours, days, ….")


class VerificationAnswer(BaseModel):
    """The verification of one window; rank 1 among the units is what to look at first."""

    site_id: str
    start: AwareDatetime
    end: AwareDatetime
    sky: SkyAnswer
    verdict: Literal["verified", "attention", "too_little_light"]
    units: list[UnitResult]
    findings: list[FindingAnswer]
    not_yet: list[UnseenAnswer]


class TroubleAnswer(BaseModel):
    """Something that is the matter with the readings themselves. It was not repaired."""

    kind: str
    serials: list[str] = Field(description="Empty: the whole site.")
    first_seen: AwareDatetime
    last_seen: AwareDatetime
    values: int = Field(description="How many values it touches.")
    share: float = Field(description="Of the values that were due in light, 0 to 1.")
    energy_share: float = Field(description="Of the window's energy, 0 to 1.")
    evidence: str
    treatment: str = Field(description="What the verification does with these values.")
    numbers: dict[str, float] = Field(description="The numbers in `evidence` by name.")
    names: dict[str, str] = Field(description="The names in `evidence` by name.")


class QualityAnswer(BaseModel):
    """What came in, before any judgement; the most energy first."""

    site_id: str
    start: AwareDatetime
    end: AwareDatetime
    heard_share: float = Field(description="Of the values that were due in light, 0 to 1.")
    findings: list[TroubleAnswer]


BODIES = (SiteRecord, CorrectionBody, TableBody, RowsBody, WeatherBody, FeedsRecord, CounterNotes)


def _ref(model: type[BaseModel]) -> dict[str, str]:
    return {"$ref": REF.format(model=model.__name__)}


def _request(content: dict[str, Any]) -> dict[str, Any]:
    described = {kind: {"schema": schema} for kind, schema in content.items()}
    return {"requestBody": {"required": True, "content": described}}


def json_body(model: type[BaseModel]) -> dict[str, Any]:
    """Return a route's description of its JSON body."""
    return _request({JSON_TYPE: _ref(model)})


READINGS_BODY = _request(
    {
        JSON_TYPE: {"anyOf": [_ref(TableBody), _ref(RowsBody)]},
        CSV_TYPE: {"type": "string", "description": "With a header: serial,start,energy_wh"},
        PARQUET_TYPE: {"type": "string", "format": "binary", "description": "In the columns given out."},
    }
)
WEATHER_BODY = _request(
    {
        JSON_TYPE: _ref(WeatherBody),
        CSV_TYPE: {
            "type": "string",
            "description": "With a header: start,ghi_w_m2,air_temp_c,poa_w_m2:PLANE",
        },
    }
)
FILE_BODY = _request({"application/octet-stream": {"type": "string", "format": "binary"}})


def install(app: FastAPI) -> None:
    """Add to the API's description the bodies that its routes refer to."""
    plain = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is None:
            schemas = plain().setdefault("components", {}).setdefault("schemas", {})
            models = [*((model, "validation") for model in BODIES), (Problem, "serialization")]
            _, definitions = models_json_schema(models, ref_template=REF)  # type: ignore[arg-type]
            schemas.update(definitions["$defs"])
        return plain()

    app.openapi = described  # type: ignore[method-assign]
