"""From a body and its content type to samples. The forms have a module each; what a value may be is `batch`'s."""

from __future__ import annotations

from service.intake.csv_form import samples_from_csv
from service.intake.json_form import parse_json, samples_from_json
from service.intake.parquet_form import samples_from_parquet
from service.store.grids import Samples

JSON_TYPE, CSV_TYPE, PARQUET_TYPE = "application/json", "text/csv", "application/vnd.apache.parquet"
READINGS_TYPES = (JSON_TYPE, CSV_TYPE, PARQUET_TYPE)


class UnknownFormat(Exception):  # noqa: N818 - says what came, as `Refused` does
    """The content type is none of those `known`."""

    def __init__(self, *known: str) -> None:
        self.known = known
        super().__init__(f"the content type must be {' or '.join(known)}")


def media_type(content_type: str) -> str:
    """Return the content type without its parameters."""
    return content_type.partition(";")[0].strip().lower()


def parse_readings(body: bytes, content_type: str, interval_min: int | None = None) -> list[Samples]:
    """Return the samples of one body; `interval_min` is for a CSV without a column of that name."""
    kind = media_type(content_type)
    if kind == JSON_TYPE:
        return samples_from_json(parse_json(body))
    if kind == CSV_TYPE:
        return samples_from_csv(body, interval_min)
    if kind == PARQUET_TYPE:
        return samples_from_parquet(body)
    raise UnknownFormat(*READINGS_TYPES)
