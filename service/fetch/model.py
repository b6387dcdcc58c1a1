"""What is asked of a service, and why there is no answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "unreachable", "slow", "refused", "too_many", "trouble", "declined", "changed", "nothing", "broken"
]
Day = dict[str, list[float | None]]
"""A UTC day's hourly means by the contract's names: `air_temp_c` and `ghi_w_m2`, as far as they are told."""

CHANNELS = ("air_temp_c", "ghi_w_m2")


@dataclass(frozen=True)
class Question:
    """What to ask: of which service at which address, for which place, from which day to which (ISO, both included).

    Without days the far horizon is asked for, which PVGIS alone knows. `secret` is the user's key or e-mail address.
    """

    service: str
    url: str
    latitude: float
    longitude: float
    first: str = ""
    last: str = ""
    secret: str = ""


class NoAnswer(Exception):  # noqa: N818 - an answer, not a fault
    """There is no usable answer; `said` is what the service says of it, if anything, without the user's secret."""

    def __init__(self, kind: Kind, said: str = "") -> None:
        """Keep why."""
        super().__init__(f"{kind}: {said}" if said else kind)
        self.kind = kind
        self.said = said
