"""What somebody noticed about counters who reads them elsewhere and sends energies: for the quality of what came in."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.intake.batch import Problem, counter_noted
from service.intake.record import read

EARLIEST, LATEST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)
MOST = 1000


class CounterNote(BaseModel):
    """That a unit's counter began anew, leapt, or showed what cannot be."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    serial: Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")]
    at: Annotated[AwareDatetime, Field(ge=EARLIEST, lt=LATEST)]
    message: Annotated[str, Field(min_length=1, max_length=300, pattern=r"^[^\x00-\x1f\x7f]+$")] = Field(
        description="In one sentence what was noticed."
    )


class CounterNotes(BaseModel):
    """What was noticed; the same again is noted once."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    counters: list[CounterNote] = Field(max_length=MOST)


def read_notes(data: Any) -> list[Problem]:
    """Return the notes; Refused with one error per bad field."""
    found = read(CounterNotes, data, lambda _: ()).counters
    return [counter_noted(note.serial, int(note.at.timestamp()), note.message) for note in found]
