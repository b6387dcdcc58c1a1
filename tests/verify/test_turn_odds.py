"""What all signs together say is what their weights make of them, and is said with how likely it is."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from service.verify import turn_odds
from service.verify.odds import damped
from service.verify.result import Finding
from service.verify.run import verify
from service.verify.turn_odds import TurnSigns
from tests.verify.conftest import Roof
from tests.verify.test_alignment import with_plane

TURN = TurnSigns(haze=12.0, lead=11.0, clear_h=2.0, recorded_h=4.0, beam_left=1.1, days=1, minutes=5)


def test_each_measure_has_its_weight() -> None:
    assert set(turn_odds.WEIGHTS) == {"", *TURN.measures}
    assert TURN.log_odds > turn_odds.LIKELIER


@pytest.mark.parametrize(
    "less",
    [
        {"haze": 1.0},
        {"lead": -4.0},
        {"beam_left": 0.4},
        {"recorded_h": 0.0, "clear_h": 0.0, "lead": 4.0},
        {"minutes": 60, "lead": 4.0},
    ],
)
def test_what_haze_a_clock_or_an_obstacle_explains_as_well_is_less_likely(less: dict[str, float]) -> None:
    assert replace(TURN, **less).log_odds < turn_odds.LIKELIER < TURN.log_odds  # type: ignore[arg-type]


def test_what_is_beyond_all_bounds_is_no_further_sign() -> None:
    assert replace(TURN, beam_left=40.0).log_odds == replace(TURN, beam_left=5.0).log_odds


@pytest.mark.parametrize(("value", "about"), [(0.0, 0.0), (0.1, 0.095), (-0.1, -0.095), (20.0, 3.045)])
def test_a_long_measure_is_damped_and_keeps_its_sign(value: float, about: float) -> None:
    assert damped(value) == pytest.approx(about, abs=0.001)


@pytest.mark.parametrize(("sure", "told"), [(1.5, True), (-0.1, False)])
def test_a_turn_that_only_all_signs_make_likely_is_said_as_likely_as_it_is(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, sure: float, told: bool
) -> None:
    by_odds_alone(monkeypatch)
    weigh(monkeypatch, sure)
    assert said_likely(turned(roof(index=1.0))) == ([0.82] if told else [])


@pytest.mark.parametrize(("days", "told"), [(1, [0.57]), (3, [])])
def test_several_days_must_be_surer_than_one(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, days: int, told: list[float]
) -> None:
    by_odds_alone(monkeypatch)
    weigh(monkeypatch, 0.3)
    assert said_likely(turned(roof(index=1.0, days=days))) == told


def test_of_several_planes_a_hill_may_be_what_turns_one_and_no_odds_tell_it(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    by_odds_alone(monkeypatch)
    weigh(monkeypatch, 9.0)
    assert said_likely(turned(roof(planes=2, index=1.0))) == []


def turned(r: Roof) -> list[Finding]:
    """Return what is said of a roof whose south plane is recorded 40 degrees off."""
    return list(verify(with_plane(r, "south", azimuth_deg=220.0), r.readings()).findings)


def by_odds_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make no bound tell a clock or a plane."""
    for name in ("believed_plane", "believed_clock"):
        monkeypatch.setattr(f"service.verify.alignment.{name}", lambda *_: False)


def weigh(monkeypatch: pytest.MonkeyPatch, log_odds: float) -> None:
    """Make the weights say the same of all signs."""
    monkeypatch.setattr(turn_odds, "WEIGHTS", dict.fromkeys(turn_odds.WEIGHTS, 0.0) | {"": log_odds})


def said_likely(findings: list[Finding]) -> list[float]:
    """Return how sure each finding of a turn is, which must say that it is not."""
    found = [f for f in findings if f.cause == "plane_misdescribed"]
    assert all("likelier than the record" in f.evidence for f in found)
    return [f.confidence for f in found]
