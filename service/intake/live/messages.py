"""A broker's message as a whole: what its payload says, its topic's levels named, and whether its age is known."""

from __future__ import annotations

from datetime import datetime

from service.intake.live.model import Sample
from service.intake.live.payload import PayloadSpec, samples_of
from service.intake.live.topics import levels_of
from service.intake.problems import FieldError, told


def understood(
    spec: PayloadSpec, pattern: str, topic: str, payload: bytes, arrived: datetime, *, retained: bool = False
) -> tuple[list[Sample], list[FieldError]]:
    """Return what a message on a topic of the pattern says, and what of it is not understood."""
    if retained and spec.time is None:
        # It was sent at some time before we came.
        text = told("was retained by the broker and holds no time: when it was measured is not known")
        return [], [FieldError("", text)]
    return samples_of(spec, payload, arrived, levels_of(pattern, topic))
