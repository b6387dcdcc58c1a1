"""One question to one service through `pvlib.iotools`, and its answer on whole hours of UTC days.

Runs in a process of its own (`apart`): `get_nasa_power` waits without an end, and `get_cams` reads on for ever where a
file has no heading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd
import requests
from pvlib.iotools import get_cams, get_era5, get_nasa_power, get_pvgis_horizon, get_pvgis_hourly

from service.fetch.model import CHANNELS, Day, Kind, NoAnswer, Question

SILENCE_S = 30
"""A service that says nothing for so long is given up."""

LONGEST_SAID = 200


def weather(question: Question) -> dict[str, Day]:
    """Return the hourly means by UTC day; NoAnswer says why there are none."""
    hourly = _answered(question, WEATHER[question.service])
    hourly = hourly.reindex(columns=list(CHANNELS)).astype(float)
    if not np.isfinite(hourly.to_numpy()).any():
        raise NoAnswer("nothing")
    return dict(_by_day(hourly, question))


def horizon(question: Question) -> list[tuple[float, float]]:
    """Return the far horizon as azimuths from north and elevations, degrees, in the order of the azimuths."""
    found = _answered(question, _pvgis_horizon)
    points = [(float(azimuth) % 360, float(elevation)) for azimuth, elevation in found.items()]
    if not points or not np.isfinite(points).all():
        raise NoAnswer("changed")
    return sorted(points)


def _by_day(hourly: pd.DataFrame, question: Question) -> Iterator[tuple[str, Day]]:
    for day in pd.date_range(question.first, question.last, tz="UTC"):
        hours = hourly.reindex(pd.date_range(day, periods=24, freq="h"))
        told = {str(name): hours[name] for name in hours if hours[name].notna().any()}
        yield (
            day.date().isoformat(),
            {
                name: [None if pd.isna(v) else round(float(v), 2) for v in values]
                for name, values in told.items()
            },
        )


# The services


def _nasa_power(q: Question) -> pd.DataFrame:
    told, _ = get_nasa_power(q.latitude, q.longitude, q.first, q.last, ["ghi", "temp_air"], url=q.url)
    return _named(told)


def _pvgis(q: Question) -> pd.DataFrame:
    first, last = pd.Timestamp(q.first), pd.Timestamp(q.last)
    told, _ = get_pvgis_hourly(
        q.latitude, q.longitude, first.year, last.year, url=q.url, timeout=SILENCE_S
    )  # whole years, which the service counts in
    parts = [c for c in ("poa_direct", "poa_sky_diffuse", "poa_ground_diffuse") if c in told]
    if len(parts) < 2:
        raise KeyError("poa_direct")
    told["ghi"] = told[parts].sum(axis=1, min_count=len(parts))
    # Light is that of one moment in the hour, the air's warmth that of the hour's start.
    told.index = pd.DatetimeIndex(told.index).floor("h")
    return _between_moments(_named(told))


def _era5(q: Question) -> pd.DataFrame:
    after = (pd.Timestamp(q.last) + pd.Timedelta(days=1)).date().isoformat()
    told, _ = get_era5(
        q.latitude,
        q.longitude,
        q.first,
        after,
        ["ghi", "temp_air"],
        q.secret,
        timeout=2 * SILENCE_S,
        url=q.url,
    )
    # An hour's light stands at its end.
    told["ghi"] = told["ghi"].shift(-1, freq="h").reindex(told.index)
    return _between_moments(_named(told))


def _cams(q: Question) -> pd.DataFrame:
    told, _ = get_cams(
        q.latitude,
        q.longitude,
        q.first,
        q.last,
        q.secret,
        identifier="cams_radiation",
        url=q.url,
        timeout=SILENCE_S,
    )
    return _named(told, needed=("ghi",))


def _pvgis_horizon(q: Question) -> Any:
    return get_pvgis_horizon(q.latitude, q.longitude, url=q.url, timeout=SILENCE_S)[0]


WEATHER: dict[str, Callable[[Question], pd.DataFrame]] = {
    "nasa_power": _nasa_power,
    "pvgis": _pvgis,
    "era5": _era5,
    "cams": _cams,
}


def _named(told: pd.DataFrame, needed: tuple[str, ...] = ("ghi", "temp_air")) -> pd.DataFrame:
    names = {"ghi": "ghi_w_m2", "temp_air": "air_temp_c"}
    return told[list(needed)].rename(columns=names)


def _between_moments(told: pd.DataFrame) -> pd.DataFrame:
    """Return the air of the moments at which hours begin as the hours' means; the last hour has its start's."""
    air = told["air_temp_c"]
    return told.assign(air_temp_c=(air + air.shift(-1).fillna(air)) / 2)


# Why there is no answer


def _answered(question: Question, ask: Callable[[Question], Any]) -> Any:
    with _statuses() as seen:
        try:
            return ask(question)
        except requests.Timeout as error:
            raise NoAnswer("slow") from error
        except requests.ConnectionError as error:
            raise NoAnswer("changed" if seen else "unreachable") from error
        except Exception as error:  # whatever a service that changed makes of its reader
            raise NoAnswer(_kind(seen[-1] if seen else 0), _said(error, seen, question)) from error


def _kind(status: int) -> Kind:
    if status in (401, 403):
        return "refused"
    if status == 429:
        return "too_many"
    if status >= 500:
        return "trouble"
    return "declined" if status >= 400 else "changed"


def _said(error: Exception, seen: list[int], question: Question) -> str:
    """Return what the service itself says, without the user's secret; nothing where the words are Python's."""
    if not seen or seen[-1] < 400 or isinstance(error, ValueError | LookupError):
        return ""
    said = " ".join(str(error).split())
    for secret in (
        question.secret,
        question.secret.replace("@", "%40"),
        question.secret.replace("@", "%2540"),
    ):
        said = said.replace(secret, "\N{HORIZONTAL ELLIPSIS}") if secret else said
    return said[:LONGEST_SAID]


@contextmanager
def _statuses() -> Iterator[list[int]]:
    """Note the status of every response: most of pvlib's errors leave it out. No request waits without an end."""
    seen: list[int] = []
    plain = requests.Session.send

    def send(self: requests.Session, request: Any, **how: Any) -> requests.Response:
        response = plain(self, request, **{**how, "timeout": how.get("timeout") or SILENCE_S})
        seen.append(response.status_code)
        return response

    requests.Session.send = send  # type: ignore[method-assign]
    try:
        yield seen
    finally:
        requests.Session.send = plain  # type: ignore[method-assign]
