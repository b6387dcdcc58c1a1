"""What several sources said of the same day of a unit is kept apart; one source alone leaves nothing beside."""

from __future__ import annotations

import numpy as np
import pytest
from sqlalchemy import Engine, select

from service.store import readings, sites
from service.store.database import reading, writing
from service.store.grids import moment
from service.store.readings import SEVERAL, Samples
from service.store.tables import ReadingDay, ReadingSource

DAY = 1_777_852_800
UNIT = "482913377001"


@pytest.fixture
def site_id(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, {"name": "Mill Lane 4"}).id


def _write(
    engine: Engine, site_id: str, source: str, *values: float, at: int = 0, serial: str = UNIT
) -> None:
    starts = DAY + 300 * (at + np.arange(len(values)))
    with writing(engine) as session:
        readings.write(session, site_id, [Samples(serial, "energy_wh", 5, starts, np.array(values))], source)


def _said(engine: Engine, site_id: str) -> dict[str, list[float]]:
    with reading(engine) as session:
        found = readings.contested(session, site_id, start=moment(DAY), end=moment(DAY + 86_400))
    return {source: [v for s in samples for v in s.values.tolist()] for source, samples in found.items()}


def _sources(engine: Engine) -> list[str]:
    with reading(engine) as session:
        return list(session.scalars(select(ReadingDay.source).order_by(ReadingDay.unit_serial)))


def test_one_source_that_sends_again_is_alone(engine: Engine, site_id: str) -> None:
    _write(engine, site_id, "token a", 1, 2)
    _write(engine, site_id, "token a", 1, 3, 4)

    assert _said(engine, site_id) == {}
    assert _sources(engine) == ["token a"]


def test_what_two_say_is_kept_apart_and_the_last_word_counts(engine: Engine, site_id: str) -> None:
    _write(engine, site_id, "token a", 1, 2, 3)
    _write(engine, site_id, "file b", 20, 3, 4, at=1)
    _write(engine, site_id, "token a", 5, at=3)

    assert _said(engine, site_id) == {"token a": [1, 2, 3, 5], "file b": [20, 3, 4]}
    assert _sources(engine) == [SEVERAL]
    with reading(engine) as session:
        kept = readings.kept(session, site_id, start=moment(DAY), end=moment(DAY + 86_400))
    assert kept[0].values.tolist() == [1, 20, 3, 5]


def test_a_third_source_joins_and_sending_again_adds_nothing(engine: Engine, site_id: str) -> None:
    for _ in range(2):
        for source, value in (("token a", 1), ("file b", 2), ("file c", 3)):
            _write(engine, site_id, source, value)

    assert _said(engine, site_id) == {"token a": [1], "file b": [2], "file c": [3]}


def test_the_same_day_word_for_word_from_another_is_no_second_source(engine: Engine, site_id: str) -> None:
    _write(engine, site_id, "token a", 1, 2)
    _write(engine, site_id, "file b", 1, 2)

    assert _said(engine, site_id) == {}
    assert _sources(engine) == ["token a"]


def test_other_units_and_unnamed_sources_are_left_alone(engine: Engine, site_id: str) -> None:
    _write(engine, site_id, "", 1)
    _write(engine, site_id, "token a", 2)
    _write(engine, site_id, "", 3)
    _write(engine, site_id, "file b", 2, serial="482913377002")

    assert _said(engine, site_id) == {}
    assert _sources(engine) == ["token a", "file b"]


def test_what_several_said_goes_with_the_site(engine: Engine, site_id: str) -> None:
    _write(engine, site_id, "token a", 1)
    _write(engine, site_id, "file b", 2)
    with writing(engine) as session:
        assert session.scalars(select(ReadingSource.source)).all() != []
        site = sites.get(session, site_id)
        assert site is not None
        sites.delete(session, site)

    with reading(engine) as session:
        assert session.scalars(select(ReadingSource.source)).all() == []
