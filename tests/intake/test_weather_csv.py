"""Weather as a sensor on site writes it: rows with a start, columns by the contract's names."""

from __future__ import annotations

import numpy as np
import pytest

from service.intake.problems import Refused
from service.intake.weather import checked, samples_from_weather
from service.intake.weather_csv import samples_from_weather_csv
from tests.intake.roof import record

GOOD = """start, ghi_w_m2, air_temp_c, poa_w_m2: south roof
2026-05-04T10:00:00+01:00,512.5,14.1,
2026-05-04T10:15:00+01:00,,14.2,601
"""


def test_rows_are_the_same_samples_as_the_lists_of_json() -> None:
    lists = {
        "interval_min": 15,
        "start": "2026-05-04T10:00:00+01:00",
        "ghi_w_m2": [512.5, None],
        "air_temp_c": [14.1, 14.2],
        "poa_w_m2": {"south roof": [None, 601]},
    }
    found, expected = samples_from_weather_csv(GOOD.encode(), 15), samples_from_weather(lists)
    assert [s.channel for s in found] == [s.channel for s in expected]
    for a, b in zip(found, expected, strict=True):
        assert (a.serial, a.interval_min) == (b.serial, b.interval_min)
        np.testing.assert_array_equal(a.starts, b.starts)
        np.testing.assert_array_equal(a.values, b.values)
    assert not checked(found, record()).problems


@pytest.mark.parametrize(
    ("body", "interval_min", "field", "said"),
    [
        (GOOD, None, "interval_min", "is required"),
        (GOOD, 7, "interval_min", "is not an interval that is kept"),
        ("start,sun\n", 15, "sun", "the first line must name the columns"),
        ("start,poa_w_m2\n", 15, "poa_w_m2", "the first line must name the columns"),
        ("ghi_w_m2\n5\n", 15, "start", "is missing"),
        ("start\n", 15, "ghi_w_m2", "is required"),
        ("", 15, "start", "is missing"),
        ("start,ghi_w_m2,ghi_w_m2\n", 15, "", "names a column twice"),
        ("start,ghi_w_m2\n2026-05-04T10:00:00Z,1,2\n", 15, "line 2", "must have 2 columns"),
        ("start,ghi_w_m2\n2026-05-04T10:00:00,1\n", 15, "line 2.start", "has no offset from UTC"),
        ("start,ghi_w_m2\n2026-05-04T10:00:30Z,1\n", 15, "line 2.start", "must be a whole minute"),
        ('start,ghi_w_m2\n2026-05-04T10:00:00Z,"1,5"\n', 15, "line 2.ghi_w_m2", "decimal separator"),
        ('start,ghi_w_m2\n2026-05-04T10:00:00Z,"1\n', 15, "", "is not valid CSV"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(
    body: str, interval_min: int | None, field: str, said: str
) -> None:
    with pytest.raises(Refused) as caught:
        samples_from_weather_csv(body.encode(), interval_min)
    found = {str(e.field): str(e.message) for e in caught.value.errors}
    assert said in found[field], found


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(Refused, match="UTF-8"):
        samples_from_weather_csv(b"start,ghi_w_m2\n\xff\xfe", 15)


def test_a_file_of_headings_alone_holds_nothing() -> None:
    assert [s.values.size for s in samples_from_weather_csv(b"start,ghi_w_m2\n", 15)] == [0]


def test_a_file_with_many_errors_is_read_no_further() -> None:
    body = "start,ghi_w_m2\n" + "2026-05-04T10:00:00Z,x\n" * 5000
    with pytest.raises(Refused) as caught:
        samples_from_weather_csv(body.encode(), 15)
    assert len(caught.value.errors) <= 1001
