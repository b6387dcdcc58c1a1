"""That no real site is refused for its timezone, and that exchanged coordinates are noticed."""

from __future__ import annotations

import pytest

from service.intake import places
from service.intake.places import (
    FAR_KM,
    distance_km,
    distance_to_timezone_km,
    looks_swapped,
    timezone_names,
)

# Coordinates from memory, to a tenth of a degree: towns far from the city that names their timezone.
REAL_PLACES = [
    ("Kashgar", (39.5, 76.0), "Asia/Shanghai"),
    ("Key West", (24.6, -81.8), "America/New_York"),
    ("Bethel, Alaska", (60.8, -161.8), "America/Anchorage"),
    ("McMurdo Station", (-77.8, 166.7), "Antarctica/McMurdo"),
    ("McMurdo Station", (-77.8, 166.7), "Pacific/Auckland"),
    ("South Pole", (-90.0, 0.0), "Antarctica/South_Pole"),
    ("Reykjavik", (64.1, -21.9), "Africa/Abidjan"),
    ("Luanda", (-8.8, 13.2), "Africa/Lagos"),
    ("Port Moresby", (-9.4, 147.2), "Pacific/Port_Moresby"),
    ("Broome", (-18.0, 122.2), "Australia/Perth"),
    ("Manaus as Sao Paulo", (-3.1, -60.0), "America/Sao_Paulo"),
    ("Ankara", (39.9, 32.9), "Europe/Istanbul"),
    ("Van", (38.5, 43.4), "Europe/Istanbul"),
    ("Volgograd", (48.7, 44.5), "Europe/Moscow"),
    ("Makhachkala", (42.9, 47.5), "Europe/Moscow"),
    ("Murmansk", (69.0, 33.1), "Europe/Moscow"),
    ("Madrid on Berlin's time", (40.4, -3.7), "Europe/Berlin"),
    ("Las Palmas", (28.1, -15.4), "Atlantic/Canary"),
    ("Saint-Denis, La Réunion", (-20.9, 55.4), "Indian/Reunion"),
    ("Suva, across the date line", (-18.1, 178.4), "Pacific/Fiji"),
    ("anywhere", (-53.8, 170.0), "UTC"),
    ("anywhere", (-53.8, 170.0), "Etc/GMT+5"),
]


@pytest.mark.parametrize(("place", "timezone"), [p[1:] for p in REAL_PLACES], ids=[p[0] for p in REAL_PLACES])
def test_a_real_place_is_near_enough(place: tuple[float, float], timezone: str) -> None:
    distance = distance_to_timezone_km(place, timezone)

    assert distance is None or distance < FAR_KM
    assert not looks_swapped(place, timezone)


@pytest.mark.parametrize(
    ("place", "timezone"),
    [
        ((53.8, -1.55), "Europe/London"),
        ((52.5, 13.4), "Europe/Berlin"),
        ((37.98, 23.7), "Europe/Athens"),
        ((41.0, 29.0), "Europe/Istanbul"),
        ((40.4, -3.7), "Europe/Madrid"),
        ((19.1, 72.9), "Asia/Kolkata"),
        ((-26.2, 28.0), "Africa/Johannesburg"),
    ],
)
def test_exchanged_coordinates_are_noticed(place: tuple[float, float], timezone: str) -> None:
    assert looks_swapped((place[1], place[0]), timezone)
    assert not looks_swapped(place, timezone)


def test_most_timezones_have_a_place_and_old_names_have_that_of_the_new() -> None:
    placed = [name for name in timezone_names() if distance_to_timezone_km((0, 0), name) is not None]

    assert len(placed) > 500
    assert {"Asia/Calcutta", "Asia/Kolkata", "GB", "Europe/Kyiv", "Europe/Kiev"} <= set(placed)


def test_no_city_looks_swapped_on_the_time_of_another_of_its_country() -> None:
    cities: dict[str, list[tuple[str, tuple[float, float]]]] = {}
    for country, coordinates, name, *_ in (line.split("\t") for line in places._lines("zone.tab")):
        cities.setdefault(country, []).append((name, places._place(coordinates)))
    pairs = [(place, other) for zones in cities.values() for _, place in zones for other, _ in zones]

    assert len(pairs) > 1000
    assert [pair for pair in pairs if looks_swapped(*pair)] == []


def test_distance_is_the_great_circle() -> None:
    # A quarter of the circumference; 6371 km is the mean radius of the International Union of Geodesy (from memory).
    assert distance_km((0, 0), (90, 0)) == pytest.approx(6371 * 3.14159265 / 2)
    assert distance_km((0, 179.5), (0, -179.5)) == pytest.approx(6371 * 3.14159265 / 180)
