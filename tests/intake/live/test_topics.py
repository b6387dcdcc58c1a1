"""Topic filters: which are taken, what their levels are, and which listen to the same topics."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from service.intake.live.topics import LONGEST, as_filter, levels_of, overlap, wrong


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("", "must be a topic of 1 to"),
        ("a\nb", "printable"),
        ("a" * (LONGEST + 1), "must be a topic"),
        ("$SYS/broker", "must not begin with $"),
        ("roof/#/power", "as its last level only"),
        ("roof/all#", "as its last level only"),
        ("roof/unit+/power", "at the beginning of a level only"),
        ("roof/+unit/+unit", "names two levels alike"),
        ("#", "would listen to everything"),
    ],
)
def test_wrong_filters(pattern: str, said: str) -> None:
    found = wrong(pattern)
    assert found is not None
    assert said in found


@pytest.mark.parametrize(
    "pattern", ["roof/+serial/power", "roof/#", "+/power", "roof//power", "a b/+x y", "+"]
)
def test_right_filters(pattern: str) -> None:
    assert wrong(pattern) is None


def test_levels_have_numbers_and_names() -> None:
    assert as_filter("roof/+serial/+/power/#") == "roof/+/+/power/#"
    found = levels_of("roof/+serial/#", "roof/482913377001/dc/power")
    assert found == {"1": "roof", "2": "482913377001", "3": "dc", "4": "power", "serial": "482913377001"}


LEVELS = st.lists(st.sampled_from(["a", "b", "+", "+n", ""]), min_size=1, max_size=4)
FILTERS = (
    st.tuples(LEVELS, st.booleans()).map(lambda f: "/".join([*f[0], *(["#"] if f[1] else [])])).filter(bool)
)
TOPICS = [
    "/".join(levels) for n in range(1, 6) for levels in product(("a", "b", ""), repeat=n) if levels != ("",)
]


@settings(max_examples=60, deadline=None)
@given(FILTERS, FILTERS)
def test_filters_overlap_where_a_topic_matches_both(one: str, two: str) -> None:
    # Reference: the client library's own matching, over every topic of up to five levels of two names and none.
    first, second = as_filter(one), as_filter(two)
    both = any(topic_matches_sub(first, topic) and topic_matches_sub(second, topic) for topic in TOPICS)
    assert overlap(one, two) == overlap(two, one) == both
