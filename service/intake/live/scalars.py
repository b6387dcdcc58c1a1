"""Single values as devices write them: numbers and moments. Whatever comes, it is a value or WrongValue."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.intake.problems import Told, told

SMALLEST_MS = 1e11
"""An epoch from here on counts milliseconds: as seconds it would lie after the year 5000."""


class WrongValue(Exception):  # noqa: N818 - what came, not a fault of the program
    """A value of a message is not what it should be; `message` says why."""

    def __init__(self, message: Told) -> None:
        self.message = message
        super().__init__(message)


def number(given: Any) -> float:
    """Return a number, which may stand in quotation marks."""
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        raise WrongValue(told("must be a number"))
    try:
        return float(
            given.replace("_", "?") if isinstance(given, str) else given
        )  # Python reads 1_000, nobody else
    except OverflowError:
        raise WrongValue(told("is not a finite number")) from None
    except ValueError:
        remedy = "," in str(given)
        text = (
            told("must be a number; write the decimal separator as a point")
            if remedy
            else told("must be a number")
        )
        raise WrongValue(text) from None


def moment_of(given: Any, timezone: str | None, arrived: datetime) -> datetime:
    """Return a moment from ISO 8601, or from seconds or milliseconds since 1970."""
    try:
        epoch = _epoch(given)
        if epoch is not None:
            return datetime.fromtimestamp(epoch / 1000 if abs(epoch) >= SMALLEST_MS else epoch, UTC)
        written = datetime.fromisoformat(given.strip())
        return written.astimezone(UTC) if written.tzinfo else _local(written, timezone, arrived)
    except (TypeError, AttributeError, ValueError, OverflowError, OSError):
        raise WrongValue(told("must be an ISO 8601 time, or seconds or milliseconds since 1970")) from None


def _epoch(given: Any) -> float | None:
    if isinstance(given, str):
        digits = given.strip().lstrip("-").replace(".", "", 1)
        return float(given) if digits.isascii() and digits.isdigit() else None
    return float(given) if isinstance(given, int | float) and not isinstance(given, bool) else None


def _local(written: datetime, timezone: str | None, arrived: datetime) -> datetime:
    """Return a clock time's moment; of one that shows twice, the showing nearer to its arrival is meant."""
    if timezone is None:
        raise WrongValue(told("has no offset from UTC; name the time zone of the clock of the device"))
    zone = ZoneInfo(timezone)
    showings = [written.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    return min(showings, key=lambda showing: abs(showing - arrived))
