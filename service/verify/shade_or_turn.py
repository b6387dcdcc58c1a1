"""Whether a plane that lacks beam stands in shade or faces elsewhere than recorded, by what each explains of its light.

An obstacle takes the beam at some places of the sun and leaves the rest of the day as recorded; a plane that faces
elsewhere has another curve all day. Where a turn that a roof may have explains more than the shade does, the plane is
turned or left open; where it explains about as much, both are said, and what decides.
"""

from __future__ import annotations

from dataclasses import replace

from service.expect.weather import Weather
from service.verify.alignment import Alignment
from service.verify.common_shade import NEEDED, Facing, PlaneShade, walled
from service.verify.explained import HALF_AS_MUCH
from service.verify.search import AS_LIKELY, Turn, turn_of, turns_of
from service.verify.turn_bounds import FOR_PLANE, differs, is_possible
from service.verify.window import Window, window

FACES_ELSEWHERE, MOST_BY_SHADE = 45.0, 1 / 3
"""Log-likelihood by which a plane that seems to stand in shade may fit better if it faces elsewhere than behind that
shade, and the share of the turn's that the shade may explain itself. Of simulated weeks (`tests/bench/fleet`) three
planes in shade fit better elsewhere by -22 to 51, the last with 43 of 95 explained by the shade; three that were
described wrongly by 46 to 213, with a quarter explained at most."""

AS_WELL = 20.0
"""Log-likelihood by which a plane must fit better turned than behind the shade that it shows, recorded as it is, where
that explains half as much. Of 38 simulated weeks and days with a plane described wrongly that shows some shade
(`tests/bench/fleet`) all had 25 or more, or a quarter explained at most; a plane behind a house had 14 of 40."""


def faces_elsewhere(alignment: Alignment, scale: float, weather: Weather | None, shade: PlaneShade) -> bool:
    """Return whether a plane fits far better if it faces elsewhere than in its shade, which explains little of that.

    Of shade of which the other planes alone tell, and not much, half of what a turn explains is little.
    """
    worth = _worth(alignment, scale, weather, (shade,))
    if worth is None:
        return False
    by_turn, by_shade = worth
    if shade.log_odds < NEEDED and by_shade < HALF_AS_MUCH * by_turn:
        return True
    return by_turn - by_shade >= FACES_ELSEWHERE and by_shade < MOST_BY_SHADE * by_turn


def stands_in_shade(
    sent: Alignment, scale: float, weather: Weather | None, shades: tuple[PlaneShade, ...]
) -> bool:
    """Return whether a plane fits about as well behind such shades, recorded as it is, as if it faced elsewhere."""
    worth = _worth(sent, scale, weather, shades)
    if worth is None:
        return False
    by_turn, by_shade = worth
    return by_turn - by_shade < AS_WELL and by_shade > HALF_AS_MUCH * by_turn


def with_facings(
    alignment: Alignment, scale: float, weather: Weather | None, shades: tuple[PlaneShade, ...]
) -> tuple[PlaneShade, ...]:
    """Return the shades, those of a plane that may as well face elsewhere with how it would."""
    seen = window(alignment.site, alignment.readings, scale=scale, weather=weather) if shades else None
    if seen is None:
        return shades
    names = dict.fromkeys(s.plane for s in shades)
    facings = {name: _facing(seen, tuple(s for s in shades if s.plane == name)) for name in names}
    return tuple(replace(s, facing=facings[s.plane]) for s in shades)


def _facing(seen: Window, shades: tuple[PlaneShade, ...]) -> Facing | None:
    """Return how a plane would face by its likeliest turn that may be, if that explains more than its shades do."""
    turns = [t for t in turns_of(seen, shades[0].plane) if differs(seen, t) and is_possible(seen, t)]
    best = max(turns, key=lambda t: t.worth, default=None)
    if best is None or best.worth < max(FOR_PLANE, _by_shade(seen, best, shades) + AS_LIKELY):
        return None
    return Facing(tilt_deg=round(best.tilt_deg), azimuth_deg=round(best.azimuth_deg) % 360)


def _worth(
    alignment: Alignment, scale: float, weather: Weather | None, shades: tuple[PlaneShade, ...]
) -> tuple[float, float] | None:
    """Return the log-likelihoods over the record's by a plane's turn and by its shade, None where nothing is told."""
    seen = window(alignment.site, alignment.readings, scale=scale, weather=weather) if shades else None
    turn = turn_of(seen, shades[0].plane) if seen else None
    if seen is None or turn is None:
        return None
    return turn.worth, _by_shade(seen, turn, shades)


def _by_shade(seen: Window, turn: Turn, shades: tuple[PlaneShade, ...]) -> float:
    """Return the log-likelihood over the record's if the plane of `turn` stands behind its shades."""
    walls = seen.behind(turn.plane, walled(seen.planes[turn.plane], shades).horizon)
    return float(seen.fit(walls).likelihood[0]) - seen.record
