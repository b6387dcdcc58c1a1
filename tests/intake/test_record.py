"""What a record may hold, and that each thing that can be wrong is refused by field, problem and remedy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

import pytest

from service.expect import site as physics
from service.intake.problems import Refused
from service.intake.record import as_stored, read_record
from tests.intake.roof import record

Change = Callable[[dict[str, Any]], Any]


def _set(*path: str | int, to: Any) -> Change:
    def change(data: Any) -> None:
        for part in path[:-1]:
            data = data[part]
        data[path[-1]] = to

    return change


def _add(*path: str | int, value: Any) -> Change:
    def change(data: Any) -> None:
        for part in path:
            data = data[part]
        data.append(value)

    return change


def _without(*path: str | int) -> Change:
    def change(data: Any) -> None:
        for part in path[:-1]:
            data = data[part]
        del data[path[-1]]

    return change


def _both(*changes: Change) -> Change:
    def change(data: Any) -> None:
        for one in changes:
            one(data)

    return change


def _refusals(change: Change) -> dict[str, str]:
    data = record()
    change(data)
    with pytest.raises(Refused) as refused:
        read_record(data)
    return {error.field: error.message for error in refused.value.errors}


UNIT = ("units", 0)
MODULE = ("module_types", 0)
INVERTER = ("inverter_types", 0)
PLANE = ("planes", 0)
NAN, INF = float("nan"), float("inf")

REFUSED: list[tuple[str, Change, str, str]] = [
    ("no name", _without("name"), "name", "required"),
    ("no units", _without("units"), "units", "required"),
    ("empty units", _set("units", to=[]), "units", "at least 1"),
    ("empty planes", _set("planes", to=[]), "planes", "at least 1"),
    ("units no list", _set("units", to={}), "units", "list"),
    ("a unit no object", _set(*UNIT, to="x"), "units[0]", "object"),
    ("empty name", _set("name", to="  "), "name", "empty"),
    ("long name", _set("name", to="x" * 201), "name", "at most 200"),
    ("name with a line break", _set("name", to="a\nb"), "name", "printable"),
    ("name with NUL", _set("name", to="a\0b"), "name", "printable"),
    ("half a character", _set("name", to="\ud800"), "name", "UTF-8"),
    ("a number for a name", _set("name", to=4), "name", "text"),
    ("latitude too large", _set("latitude", to=153.8), "latitude", "between -90 and 90"),
    ("longitude too large", _set("longitude", to=181), "longitude", "at most 180"),
    ("latitude a text", _set("latitude", to="53.8"), "latitude", "number"),
    ("latitude a truth value", _set("latitude", to=True), "latitude", "number"),
    ("latitude NaN", _set("latitude", to=NAN), "latitude", "finite"),
    ("latitude infinite", _set("latitude", to=INF), "latitude", "between -90 and 90"),
    ("latitude a huge integer", _set("latitude", to=10**400), "latitude", "between -90 and 90"),
    ("tilt a huge integer", _set(*PLANE, "tilt_deg", to=10**400), "planes[0].tilt_deg", "number"),
    (
        "swapped",
        _both(_set("latitude", to=-1.55), _set("longitude", to=53.8)),
        "latitude",
        "look swapped for Europe/London",
    ),
    ("wrong hemisphere", _set("latitude", to=-53.8), "timezone", "km from this latitude"),
    ("far away", _both(_set("latitude", to=-33.9), _set("longitude", to=151.2)), "timezone", "km from"),
    ("unknown timezone", _set("timezone", to="Europe/Leeds"), "timezone", "not a known timezone"),
    ("timezone nearly right", _set("timezone", to="europe/lodnon"), "timezone", "Europe/London"),
    ("timezone a path", _set("timezone", to="../London"), "timezone", "not a known timezone"),
    ("elevation", _set("elevation_m", to=10_000), "elevation_m", "at most 9000"),
    ("commissioned some day", _set("commissioned_on", to="May 2026"), "commissioned_on", "2026-05-04"),
    ("commissioned never", _set("commissioned_on", to="2026-02-30"), "commissioned_on", "2026-05-04"),
    (
        "commissioned in year one",
        _set("commissioned_on", to="0001-01-01"),
        "commissioned_on",
        "1980 and 2100",
    ),
    ("gone in year 9999", _set(*UNIT, "until", to="9999-12-31"), "units[0].until", "1980 and 2100"),
    ("commissioned a number", _set("commissioned_on", to=20260504), "commissioned_on", "date"),
    ("commissioned a week", _set("commissioned_on", to="2026-W19-1"), "commissioned_on", "date"),
    ("tilt below", _set(*PLANE, "tilt_deg", to=-1), "planes[0].tilt_deg", "at least 0"),
    ("tilt above", _set(*PLANE, "tilt_deg", to=91), "planes[0].tilt_deg", "at most 90"),
    ("azimuth below", _set(*PLANE, "azimuth_deg", to=-10), "planes[0].azimuth_deg", "at least 0"),
    ("azimuth above", _set(*PLANE, "azimuth_deg", to=361), "planes[0].azimuth_deg", "at most 360"),
    ("albedo", _set(*PLANE, "albedo", to=20), "planes[0].albedo", "at most 1"),
    ("mounting", _set(*PLANE, "mounting", to="glued"), "planes[0].mounting", "close_roof"),
    (
        "horizon azimuth",
        _set(*PLANE, "horizon", 0, "azimuth_deg", to=400),
        "planes[0].horizon[0].azimuth_deg",
        "at most 360",
    ),
    (
        "horizon elevation",
        _set(*PLANE, "horizon", 0, "elevation_deg", to=91),
        "planes[0].horizon[0].elevation_deg",
        "at most 90",
    ),
    (
        "horizon twice",
        _add(*PLANE, "horizon", value={"azimuth_deg": 230, "elevation_deg": 5}),
        "planes[0].horizon[1].azimuth_deg",
        "horizon[0]",
    ),
    (
        "two planes of one name",
        _add("planes", value={"name": "south roof", "tilt_deg": 1, "azimuth_deg": 1}),
        "planes[1].name",
        "planes[0]",
    ),
    (
        "two modules of one name",
        _add("module_types", value={"name": " module ", "pmax_w": 400}),
        "module_types[1].name",
        "module_types[0]",
    ),
    (
        "two inverters of one name",
        _add("inverter_types", value={"name": "inverter", "ac_rated_w": 350}),
        "inverter_types[1].name",
        "inverter_types[0]",
    ),
    ("two branches of one name", _add("branches", value={"name": "A"}), "branches[1].name", "branches[0]"),
    ("pmax in kW", _set(*MODULE, "pmax_w", to=0.4), "module_types[0].pmax_w", "kW"),
    ("pmax nothing", _set(*MODULE, "pmax_w", to=0), "module_types[0].pmax_w", "more than 0"),
    (
        "gamma in percent",
        _set(*MODULE, "gamma_pmax_per_c", to=-0.35),
        "module_types[0].gamma_pmax_per_c",
        "is in percent per °C: divide it by 100",
    ),
    (
        "gamma of the wrong sign",
        _set(*MODULE, "gamma_pmax_per_c", to=0.0035),
        "module_types[0].gamma_pmax_per_c",
        "has the wrong sign",
    ),
    (
        "gamma in neither",
        _set(*MODULE, "gamma_pmax_per_c", to=-0.03),
        "module_types[0].gamma_pmax_per_c",
        "at least -0.02",
    ),
    ("substrings", _set(*MODULE, "substrings", to=0), "module_types[0].substrings", "at least 1"),
    ("half a substring", _set(*MODULE, "substrings", to=2.5), "module_types[0].substrings", "whole number"),
    ("low light", _set(*MODULE, "low_light_k", to=1), "module_types[0].low_light_k", "at most 0.1"),
    (
        "efficiency in percent",
        _set(*INVERTER, "efficiency", to=96.5),
        "inverter_types[0].efficiency",
        "is in percent",
    ),
    ("efficiency too low", _set(*INVERTER, "efficiency", to=0.4), "inverter_types[0].efficiency", "0.5"),
    ("inverter in kW", _set(*INVERTER, "ac_rated_w", to=0.35), "inverter_types[0].ac_rated_w", "kW"),
    (
        "inverter too large",
        _set(*INVERTER, "ac_rated_w", to=1201),
        "units[0].inverter_type",
        "more than 3 times the 400 W",
    ),
    (
        "inverter too small",
        _set(*INVERTER, "ac_rated_w", to=119),
        "units[0].inverter_type",
        "less than 0.3 times the 400 W",
    ),
    ("no serial", _set(*UNIT, "serial", to=" "), "units[0].serial", "empty"),
    ("long serial", _set(*UNIT, "serial", to="1" * 81), "units[0].serial", "at most 80"),
    ("serial a number", _set(*UNIT, "serial", to=482913377001), "units[0].serial", "text"),
    ("serial with a tab", _set(*UNIT, "serial", to="1\t2"), "units[0].serial", "printable"),
    ("one serial twice", _set(*UNIT, "serial", to=" 482913377002"), "units[1].serial", "units[0]"),
    ("one position twice", _set(*UNIT, "column", to=2), "units[1].row", "row 1, column 2"),
    ("unnamed plane", _set(*UNIT, "plane", to="east"), "units[0].plane", "names none of the planes"),
    ("unnamed module", _set(*UNIT, "module_type", to="x"), "units[0].module_type", "names none of"),
    ("unnamed inverter", _set(*UNIT, "inverter_type", to="x"), "units[0].inverter_type", "names none of"),
    ("unnamed branch", _set(*UNIT, "branch", to="B"), "units[0].branch", "names none of the branches"),
    ("no modules", _set(*UNIT, "module_count", to=0), "units[0].module_count", "at least 1"),
    ("too many modules", _set(*UNIT, "module_count", to=61), "units[0].module_count", "at most 60"),
    ("row", _set(*UNIT, "row", to=-1), "units[0].row", "at least 0"),
    (
        "gone before it came",
        _both(_set(*UNIT, "from", to="2026-06-01"), _set(*UNIT, "until", to="2026-06-01")),
        "units[0].until",
        "later than from",
    ),
    ("soiling", _set("losses", to={"soiling": 2}), "losses.soiling", "at most 0.5"),
    ("turbidity", _set("turbidity", to=0), "turbidity", "at least 1"),
    ("air temperature", _set("air_temp_c", to=290), "air_temp_c", "at most 60"),
    ("unknown field", _set("lattitude", to=1), "lattitude", "did you mean latitude"),
    ("unknown field of a plane", _set(*PLANE, "tilt", to=1), "planes[0].tilt", "did you mean tilt_deg"),
    ("contact out of reach", _set("contact", to={"name": "Roofers"}), "contact", "neither phone nor email"),
    (
        "a word for a phone",
        _set("contact", to={"name": "R", "phone": "at work"}),
        "contact.phone",
        "3 to 15 digits",
    ),
    ("two digits", _set("contact", to={"name": "R", "phone": "12"}), "contact.phone", "3 to 15 digits"),
    (
        "no e-mail",
        _set("contact", to={"name": "R", "email": "roofs@firm@x"}),
        "contact.email",
        "an e-mail address",
    ),
    (
        "a header",
        _set("contact", to={"name": "R", "email": "a@b.example?cc=x@y"}),
        "contact.email",
        "an e-mail",
    ),
    ("nameless", _set("contact", to={"phone": "+44 1632 960 417"}), "contact.name", "is required"),
    ("unknown field of losses", _set("losses", to={"soil": 0}), "losses.soil", "did you mean soiling"),
    ("unlike any field", _set("qqqq", to=1), "qqqq", "known: address, air_temp_c"),
]


@pytest.mark.parametrize(
    ("change", "field", "message"), [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED]
)
def test_wrong_field_is_named_with_problem_and_remedy(change: Change, field: str, message: str) -> None:
    assert message in _refusals(change)[field]


def test_gamma_in_percent_and_of_the_wrong_sign_is_told_both() -> None:
    message = _refusals(_set(*MODULE, "gamma_pmax_per_c", to=0.35))["module_types[0].gamma_pmax_per_c"]

    assert "wrong sign" in message
    assert "in percent" in message


def test_every_wrong_field_is_listed_at_once() -> None:
    found = _refusals(_both(_set("name", to=""), _set("latitude", to=91), _set(*UNIT, "row", to=-1)))

    assert set(found) == {"name", "latitude", "units[0].row"}


def test_an_error_does_not_repeat_the_input() -> None:
    assert "secret" not in str(_refusals(_set("latitude", to="secret")))


def test_a_record_that_is_no_object_is_refused() -> None:
    with pytest.raises(Refused, match="object"):
        read_record([])


@pytest.mark.parametrize(
    "change",
    [
        _set("latitude", to=0),
        _set(*PLANE, "azimuth_deg", to=360),
        _set(*PLANE, "tilt_deg", to=0),
        _set(*INVERTER, "ac_rated_w", to=1200),
        _set(*INVERTER, "efficiency", to=1),
        _set(*MODULE, "gamma_pmax_per_c", to=0),
        _set(*UNIT, "module_count", to=2),
        _set(*UNIT, "module_count", to=2.0),
        _set("timezone", to="UTC"),
        _without(*UNIT, "row"),
        _without(*UNIT, "branch"),
        _set("commissioned_on", to=None),
        _set("name", to="Straße des 17. Juni, Café Übersee"),
    ],
)
def test_what_is_right_is_taken(change: Change) -> None:
    data = record()
    change(data)

    assert read_record(data).name == data["name"]


def test_two_units_may_follow_each_other_on_a_position() -> None:
    data = record()
    data["units"][0]["until"] = "2026-06-01"
    data["units"].append({**data["units"][0], "serial": "482913377009", "from": "2026-06-01"})
    del data["units"][-1]["until"]

    assert len(read_record(data).units) == 4


def test_two_units_that_overlap_by_a_day_on_a_position_are_refused() -> None:
    data = record()
    data["units"][0]["until"] = "2026-06-02"
    data["units"].append({**data["units"][0], "serial": "482913377009", "from": "2026-06-01"})
    del data["units"][-1]["until"]

    with pytest.raises(Refused, match=r"units\[3\]\.row"):
        read_record(data)


def _with_inputs(rated_w: float, *lasting: dict[str, str]) -> dict[str, Any]:
    """Return the record of one inverter with an input for each stay on the roof, a module of 400 W on each."""
    data = record()
    data["inverter_types"][0]["ac_rated_w"] = rated_w
    data["units"] = [
        {**data["units"][0], "serial": f"482913377001/{number}", "column": number, **stay}
        for number, stay in enumerate(lasting, start=1)
    ]
    return data


@pytest.mark.parametrize("rated_w", [480, 1500, 4800])
def test_a_rating_is_held_against_the_modules_on_all_inputs(rated_w: float) -> None:
    assert len(read_record(_with_inputs(rated_w, {}, {}, {}, {})).units) == 4


@pytest.mark.parametrize(("rated_w", "said"), [(479, "less than 0.3"), (4801, "more than 3")])
def test_a_rating_out_of_proportion_to_all_inputs_is_refused_at_each(rated_w: float, said: str) -> None:
    with pytest.raises(Refused) as refused:
        read_record(_with_inputs(rated_w, {}, {}, {}, {}))

    errors = {error.field: error.message for error in refused.value.errors}
    assert set(errors) == {f"units[{i}].inverter_type" for i in range(4)}
    assert f"{said} times the 1600 W of its modules on its 4 inputs" in errors["units[3].inverter_type"]


def test_inputs_that_follow_each_other_do_not_share() -> None:
    stays = {"until": "2026-06-01"}, {"from": "2026-06-01"}

    assert len(read_record(_with_inputs(130, *stays)).units) == 2
    with pytest.raises(Refused, match="2 inputs"):
        read_record(_with_inputs(130, {"until": "2026-06-02"}, stays[1]))


def test_texts_are_trimmed_where_they_are_named_and_where_they_are_used() -> None:
    data = record()
    data["planes"][0]["name"] = " south roof "

    assert read_record(data).planes[0].name == "south roof"


def test_a_record_as_kept_is_a_record() -> None:
    kept = as_stored(read_record(record()))

    assert as_stored(read_record(kept)) == kept


def test_what_is_left_open_has_the_defaults_of_the_physics() -> None:
    data = record()
    del data["module_types"][0]["gamma_pmax_per_c"], data["module_types"][0]["substrings"]
    del data["inverter_types"][0]["efficiency"]
    kept = as_stored(read_record(data))

    pairs = [
        (kept["planes"][0], physics.Plane("", 0, 0)),
        (kept["module_types"][0], physics.ModuleType("", 0)),
        (kept["inverter_types"][0], physics.InverterType("", 0)),
        (kept["losses"], physics.Losses()),
        (kept["units"][0], physics.Unit("", "", "", "")),
    ]
    optional = {"albedo", "mounting", "gamma_pmax_per_c", "substrings", "low_light_k", "efficiency"}
    optional |= {"module_count", *kept["losses"]}
    compared = [
        (ours[f.name], getattr(theirs, f.name))
        for ours, theirs in pairs
        for f in fields(theirs)
        if f.name in optional
    ]
    assert len(compared) == len(optional)
    assert all(ours == theirs for ours, theirs in compared)
