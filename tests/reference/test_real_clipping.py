"""The cause `clipping` on a real inverter whose clipped intervals were labelled by hand.

`ac_power_inv_7539.csv` of the `pvanalytics` package: ten days of April 2017 in quarter hours, power over the highest,
from the inverter clipping set of the DuraMAT DataHub (datahub.duramat.org/dataset/
inverter-clipping-ml-training-set-real-data). Times are local though marked UTC; place, plane and module ratings are not
published. They are set so that day and noon fit and a clear noon would pass the rating, which is all that is asked of
them. Second opinion: `pvanalytics.features.clipping.geometric`.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pytest
from pvanalytics.features.clipping import geometric  # type: ignore[import-untyped]

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.causes import clipping
from service.verify.inputs import Readings
from service.verify.result import Verification
from service.verify.run import build_case, verify
from tests.reference.open_data import DATA

RATED_W = 1000.0
RECORD = Site(
    name="inverter 7539",
    latitude=35,
    longitude=-11,  # the middle of its days, 12:45 on its clock
    timezone="UTC",
    planes=(Plane("roof", 20, 180, mounting="open_rack"),),
    module_types=(ModuleType("module", 1.5 * RATED_W),),
    inverter_types=(InverterType("inverter", RATED_W),),
    units=(Unit("7539", "roof", "module", "inverter"),),
)

CLIPPED_DAYS = ("2017-04-11", "2017-04-14", "2017-04-15", "2017-04-16")
LATE = 0.5
"""Hours by which the first and last clipped interval may lie from the labelled ones, beside an hour of passing peaks
(0.965 to 1 of the rating), which the labels, of flat stretches only, leave out."""


@dataclass(frozen=True)
class Labelled:
    """Power over rating on a full grid of quarter hours, NaN where none, and whether a hand labelled it clipped."""

    share: pd.Series
    clipped: pd.Series


@pytest.fixture(scope="module")
def labelled() -> Labelled:
    table = pd.read_csv(DATA / "ac_power_inv_7539.csv", index_col=0)
    table.index = pd.to_datetime(table.index, utc=True)
    grid = pd.date_range("2017-04-10", "2017-04-20 23:45", freq="15min", tz="UTC")
    return Labelled(
        table["value_normalized"].reindex(grid), table["label"].astype(bool).reindex(grid, fill_value=False)
    )


def _verified(labelled: Labelled, day: str) -> Verification:
    return verify(RECORD, _readings(labelled, day))


def _readings(labelled: Labelled, day: str) -> Readings:
    watts = RATED_W * labelled.share[day].to_numpy()
    return Readings(pd.Timestamp(day, tz="UTC").to_pydatetime(), 15, watts[None, :] / 4)


@pytest.mark.parametrize("day", CLIPPED_DAYS)
def test_labelled_clipping_is_found_and_spans_the_labels(labelled: Labelled, day: str) -> None:
    found = [f for f in _verified(labelled, day).findings if f.cause == "clipping"]
    hours = labelled.clipped[day]
    first, last = hours[hours].index[[0, -1]]
    assert [f.serials for f in found] == [("7539",)]
    assert found[0].first_seen is not None
    assert found[0].last_seen is not None
    slack = pd.Timedelta(hours=LATE + 1)
    assert first - slack <= found[0].first_seen <= first
    assert last <= found[0].last_seen <= last + slack


def test_a_day_below_the_rating_is_not_clipped(labelled: Labelled) -> None:
    """17 April reaches 0.91 of the rating, and no interval of it is labelled."""
    assert labelled.share["2017-04-17"].max() == pytest.approx(0.91, abs=0.005)
    assert not labelled.clipped["2017-04-17"].any()
    assert "clipping" not in {f.cause for f in _verified(labelled, "2017-04-17").findings}


@pytest.mark.parametrize("day", CLIPPED_DAYS)
def test_the_other_tool_finds_the_labelled_hours_too(labelled: Labelled, day: str) -> None:
    """That the labels are to be believed: `geometric` agrees with them in 99 of 100 intervals."""
    mask = geometric(labelled.share.fillna(0.0), freq="15min")
    assert (mask == labelled.clipped)[labelled.share.notna()].mean() > 0.98
    assert mask[day].sum() >= labelled.clipped[day].sum()


@pytest.mark.parametrize(
    ("day", "stops"), [("2017-04-13", "14:15"), ("2017-04-16", "14:45"), ("2017-04-19", "15:00")]
)
def test_an_inverter_that_stops_at_full_power_is_not_taken_for_clipped_or_dark(
    labelled: Labelled, day: str, stops: str
) -> None:
    """On three afternoons the inverter falls from near its rating to 0.001 of it and stays there till night."""
    found = {f.cause: f for f in _verified(labelled, day).findings}
    assert "no_output" in found
    assert found["no_output"].first_seen == pd.Timestamp(f"{day} {stops}", tz="UTC")


def test_every_labelled_quarter_hour_is_counted_and_not_twice_as_many(labelled: Labelled) -> None:
    """All 39 were, when this was written, and 19 beside them: from 0.965 of the rating on.

    Those are passing peaks and the rise and fall beside the flat stretch, which the labels leave out.
    """
    ours = pd.concat([_at_limit(labelled, day) for day in CLIPPED_DAYS])
    theirs = labelled.clipped[ours.index]
    assert theirs.sum() == 39
    assert (ours & theirs).sum() >= 37
    assert ours.sum() <= 2 * theirs.sum()


def _at_limit(labelled: Labelled, day: str) -> pd.Series:
    case = build_case(RECORD, _readings(labelled, day))
    found = pd.Series(False, labelled.share[day].index)
    found.iloc[case.day.positions] = clipping._at_limit(case)[0]
    return found
