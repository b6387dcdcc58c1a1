"""Export files of many makes, written from known energies. Shares no code with the reader."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

SERIALS = ("482913377001", "482913377002", "082913377003")
INPUTS = ("482913377001/1", "482913377001/2", "482913377002/1")
HEX_SERIALS = ("A3F09C21D4E1", "A3F09C21D5B7", "B7709C21D6AA")
ZONE = "Europe/Berlin"
LATITUDE, LONGITUDE = 52.5, 13.4
RATED_W = 350.0
RECORD: dict[str, Any] = {
    "name": "Lindenweg 4",
    "latitude": LATITUDE,
    "longitude": LONGITUDE,
    "timezone": ZONE,
    "planes": [{"name": "south", "tilt_deg": 35, "azimuth_deg": 170}],
    "module_types": [{"name": "m", "pmax_w": 400}],
    "inverter_types": [{"name": "i", "ac_rated_w": RATED_W}],
    "units": [
        {"serial": s, "plane": "south", "row": 1, "column": i + 1, "module_type": "m", "inverter_type": "i"}
        for i, s in enumerate(SERIALS)
    ],
}
NAMES: dict[str, Callable[[str, int], str]] = {
    "serial": lambda serial, _: serial,
    "zeros_lost": lambda serial, _: serial.lstrip("0"),
    "end": lambda serial, _: f"Inverter {serial[-4:]}",
    "prefixed": lambda serial, _: f"SN:{serial}",
    "dashed": lambda serial, _: "-".join(serial[i : i + 4] for i in range(0, 12, 4)),
    "spaced": lambda serial, _: " ".join(serial[i : i + 4] for i in range(0, 12, 4)),
    "lower": lambda serial, _: serial.lower(),
    "scientific": lambda serial, _: f"{float(serial):.11E}",
    "numbered": lambda _, i: f"Unit {i + 1}",
    "roof": lambda _, i: f"Roof A / {i + 1}",
    "place": lambda _, i: f"R1C{i + 1}",
    "west": lambda _, i: f"W{i + 1}",
    "input": lambda serial, _: " CH".join(serial.split("/")),
    "letter": lambda _, i: f"Module {'ABC'[i]}",
}
"""What a file calls a unit, by its serial and its number."""

Truth = dict[tuple[str, datetime], float]
"""Energies in Wh by serial and the start of their interval in UTC."""


@dataclass(frozen=True)
class Make:
    """How a file is made."""

    name: str
    kind: str = "csv"
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    unquoted: bool = False
    """Cells that hold the delimiter stand without quotation marks."""
    thousands: str = ""
    turned: tuple[int, ...] = ()
    """Columns of units, by their number, whose numbers have comma and point the other way round."""
    shape: str = "wide"
    first: date = date(2026, 6, 14)
    days: int = 3
    interval: int = 15
    intervals: tuple[int, ...] = ()
    """An interval for each unit, or with `changes` for each day."""
    changes: bool = False
    irregular: bool = False
    time: str = "%Y-%m-%d %H:%M:%S"
    language: str = "en"
    time_heading: str = "Time"
    second_time: tuple[str, str] | None = None
    midnight_24: bool = False
    zone: str = ZONE
    offset: str = ""
    label: str = "start"
    hours: tuple[int, int] = (0, 24)
    """The hours of the day (UTC) that have rows."""
    quantity: str = "energy_wh"
    heading: str = "{serial} (Wh)"
    value_heading: str = "Energy (Wh)"
    serial_heading: str = "Serial"
    upper: str | None = None
    units_row: str | None = None
    preamble: tuple[str, ...] = ()
    missing: str | None = None
    nothing: str = ""
    """What is written in the place of zero."""
    negative: bool = False
    newest_first: bool = False
    days_back: bool = False
    """The last day comes first, each day from morning to evening."""
    shuffled: bool = False
    """Rows stand in no order."""
    counter: str = "plain"
    digits: int = 4
    extra: tuple[tuple[str, Callable[[datetime], str]], ...] = ()
    beside: tuple[str, ...] = ()
    """Further columns for each unit: power, dc, ac, hz, temp."""
    before: tuple[str, ...] = ()
    """Columns for each unit that stand before its values: max, limit, dc_power, id."""
    received: str = ""
    """The heading of a column of times in front: when a program heard of the value."""
    names: str = "serial"
    serials: tuple[str, ...] = SERIALS
    cell_unit: str = ""
    total: bool = False
    block_total: bool = False
    """Each block ends with a line of its sum."""
    full_width: bool = False
    """All digits and signs but the delimiter are of full width, as in East Asia."""
    whole_quoted: bool = False
    """Each line stands in quotation marks as a whole."""
    arabic: bool = False
    """All digits are those of Arabic, with their decimal mark."""
    day_total: str = ""
    """What a row with the sum of each day is called."""
    again: int = 0
    """After so many rows the headings stand once more, with a comment."""
    page: tuple[str, ...] = ()
    """Lines that stand above the headings of each page of 40 rows."""
    footer: str | None = None
    is_numbered: bool = False
    """Rows begin with their number, over which no heading stands."""
    serial_first: bool = False
    """In rows that name their unit, its serial stands before their time."""
    file: str = ""
    """What a file is called, if its name says something."""
    spelled: str = ""
    """How each row spells out what it holds: sql, pairs, log; or how a table is marked up: strokes, org, wiki, tex."""
    sheet: str = ""
    """The name of a workbook's only sheet."""
    readme: str = ""
    """A text beside the tables of an archive."""
    in_mega: bool = False
    """Values are those of the quantity over a thousand: MWh in the place of kWh."""
    planes: tuple[float, ...] = ()
    """The azimuth of each unit's plane, of the record, too."""
    is_clear: bool = False
    """The sky is clear all the time."""
    dead: tuple[int, ...] = ()
    """Units that give nothing, by their number."""
    azimuth: float = 170.0
    azimuths: tuple[float, ...] = ()
    """Of each unit, if they face different ways."""

    @property
    def shown_names(self) -> dict[str, str]:
        """Return what the file calls each unit."""
        found = {s: NAMES[self.names](s, i) for i, s in enumerate(self.serials)}
        if self.kind == "zip" or self.shape == "sheets":  # names of files and sheets
            return {s: name.replace("/", "-").replace(":", "-") for s, name in found.items()}
        return found


def record_of(make: Make) -> dict[str, Any]:
    """Return the record of the site that the file is of."""
    units = [{**u, "serial": s} for u, s in zip(RECORD["units"], make.serials, strict=False)]
    if not make.planes:
        return {**RECORD, "units": units}
    planes = [{"name": f"plane {i}", "tilt_deg": 35, "azimuth_deg": a} for i, a in enumerate(make.planes)]
    for i, unit in enumerate(units):
        unit |= {"plane": f"plane {i}", "column": 1}
    return {**RECORD, "planes": planes, "units": units}


def interval_of(make: Make, serial: str, day: int) -> int:
    """Return the minutes that a unit's values of a day cover."""
    if not make.intervals:
        return make.interval
    return make.intervals[(day if make.changes else make.serials.index(serial)) % len(make.intervals)]


def truth_of(make: Make) -> Truth:
    """Return energies of days that differ from each other and from unit to unit."""
    zone, found = ZoneInfo(ZONE), Truth()
    for i, serial in enumerate(make.serials):
        dice = random.Random(make.name)  # noqa: S311 - invented weather
        for day in range(make.days):
            begin, end = (
                datetime.combine(make.first + timedelta(days=d), datetime.min.time(), zone).astimezone(UTC)
                for d in (day, day + 1)
            )
            minutes = interval_of(make, serial, day)
            at = begin
            while at < end:
                sky = 0.9 if make.is_clear else 0.6 + 0.4 * dice.random()
                if make.hours[0] <= at.hour < make.hours[1]:
                    faces = (make.planes or make.azimuths or (make.azimuth,) * 3)[i]
                    middle = at + timedelta(minutes=minutes / 2)
                    power = _power(middle, faces, is_clear=make.is_clear)
                    power *= (1 - 0.07 * i) * sky * (i not in make.dead)
                    found[serial, at] = round(power * minutes / 60, make.digits)
                at += timedelta(minutes=minutes)
    return found


def _power(at: datetime, azimuth: float, *, is_clear: bool) -> float:
    """Return the power in W of a module tilted by 35 degrees under an even sky; an inverter wakes at 2 W.

    The sun by Cooper's declination and the equation of time of four terms, the beam of a clear sky by Meinel and Meinel
    (all common in textbooks; from memory).
    """
    day = at.timetuple().tm_yday
    turn = 2 * math.pi * (day - 1) / 365
    equation = 229.18 * (0.000075 + 0.001868 * math.cos(turn) - 0.032077 * math.sin(turn)
                         - 0.014615 * math.cos(2 * turn) - 0.040849 * math.sin(2 * turn))  # fmt: skip
    high = math.radians(23.45 * math.sin(2 * math.pi * (284 + day) / 365))
    hours = at.hour + at.minute / 60 + at.second / 3600 + LONGITUDE / 15 + equation / 60 - 12
    angle, north, tilt = math.radians(15 * hours), math.radians(LATITUDE), math.radians(35)
    up = math.sin(north) * math.sin(high) + math.cos(north) * math.cos(high) * math.cos(angle)
    if up <= 0:
        return 0.0
    east = -math.cos(high) * math.sin(angle)
    northward = math.cos(north) * math.sin(high) - math.sin(north) * math.cos(high) * math.cos(angle)
    faces = math.radians(azimuth)
    onto = up * math.cos(tilt) + math.sin(tilt) * (east * math.sin(faces) + northward * math.cos(faces))
    if is_clear:
        beam = 1.353 * 0.7 ** (max(up, 0.02) ** -0.678)
        return 330 * (beam * max(0.0, onto) + 0.1 * math.sqrt(up))
    power = 260 * max(0.0, onto) * min(1.0, 3 * up) + 70 * up
    return power if power > 2 else 0.0


def answers_of(make: Make) -> dict[str, str]:
    """Return what is true of the file, by the keys of the questions."""
    return {
        "timezone": make.zone,
        "day_first": "true" if make.time.find("%d") < make.time.find("%m") else "false",
        "label": make.label,
        "quantity": make.quantity,
        "interval_min": str(make.interval),
        "decimal": "comma" if make.decimal == "," else "point",
        "dash": "missing",
        "units": ",".join(f"{name}:{serial}" for serial, name in make.shown_names.items()),
    }


_DE = {"delimiter": ";", "decimal": ",", "time_heading": "Zeitstempel", "time": "%d.%m.%Y %H:%M"}
_DMY = "%d/%m/%Y %H:%M"
_MDY = "%m/%d/%Y %H:%M"

MAKES = (
    Make("plain"),
    Make("long", shape="long"),
    Make("tab", delimiter="\t"),
    Make("pipe", delimiter="|", shape="long"),
    Make("german", **_DE),
    Make("german_long", shape="long", value_heading="Energie in Wh", **_DE),
    Make("german_thousands", label="end", quantity="counter_wh", thousands=".",
         heading="Zählerstand {serial} [Wh]", digits=1, **_DE),
    Make("english_thousands", quantity="counter_wh", thousands=",", heading="Total {serial} Wh", digits=1),
    Make("tab_decimal_comma", delimiter="\t", decimal=","),
    Make("quoted_decimal_comma", decimal=","),
    Make("bom", encoding="utf-8-sig"),
    Make("utf16", encoding="utf-16", delimiter="\t"),
    Make("cp1252", label="end", encoding="cp1252", preamble=("Anlage;Südäcker;Größe",),
         heading="Zähler {serial} Wh", quantity="counter_wh", **_DE),
    Make("sep_line", delimiter=";", preamble=("sep=;",)),
    Make("preamble", preamble=("Report", "Made,14.07.2026 08:00", "Owner,Ana Ribeiro", "")),
    Make("preamble_unit", heading="{serial}", preamble=("All values in kWh",), quantity="energy_kwh"),
    Make("units_row", heading="{serial}", units_row="[Wh]"),
    Make("units_row_kw", heading="{serial}", units_row="kW", quantity="power_kw"),
    Make("two_levels", upper="{serial}", heading="Energy (Wh)"),
    Make("footer", footer="Total,1,2,3"),
    Make("site_total", extra=(("Sum (Wh)", lambda _t: "12.5"),)),
    Make("voltage_beside", shape="long",
         extra=(("AC voltage (V)", lambda _t: "231.5"),
                ("Frequency (Hz)", lambda _t: "50.0"))),
    Make("iso_offset", time="%Y-%m-%dT%H:%M:%S", offset="colon"),
    Make("iso_z", time="%Y-%m-%dT%H:%M:%S", offset="Z", zone="UTC"),
    Make("epoch", time="epoch", zone="UTC"),
    Make("epoch_ms", time="epoch_ms", zone="UTC", shape="long"),
    Make("dmy", time=_DMY),
    Make("mdy", time=_MDY),
    Make("dmy_early", time=_DMY, first=date(2026, 6, 3)),
    Make("mdy_early", time=_MDY, first=date(2026, 6, 3)),
    Make("dmy_one_day", time=_DMY, first=date(2026, 6, 3), days=1),
    Make("mdy_one_day", time=_MDY, first=date(2026, 6, 3), days=1),
    Make("same_day_and_month", time=_DMY, first=date(2026, 6, 6), days=1),
    Make("two_digit_years", time="%d.%m.%y %H:%M", delimiter=";"),
    Make("dashes_mdy", time="%m-%d-%Y %H:%M", first=date(2026, 7, 20)),
    Make("am_pm", time="%m/%d/%Y %I:%M:%S %p"),
    Make("am_pm_dmy", time="%d/%m/%Y %I:%M %p", shape="long"),
    Make("month_names", time="%d %b %Y %H:%M"),
    Make("month_names_us", time="%b %d %Y %H:%M"),
    Make("weekday", time="%a %d.%m.%Y %H:%M", delimiter=";"),
    Make("compact", time="%Y%m%dT%H%M%S"),
    Make("apart", time="%d.%m.%Y", second_time=("%H:%M", "Uhrzeit"), time_heading="Datum", delimiter=";"),
    Make("apart_am_pm", time="%m/%d/%Y", second_time=("%I:%M %p", "Time"), time_heading="Date", shape="long"),
    Make("start_and_end", second_time=("end", "To"), time_heading="From"),
    Make("label_middle_said", label="middle", interval=60, time_heading="Middle of the interval", quantity="energy_kwh",
         heading="{serial} (kWh)"),
    Make("label_middle_german", label="middle", time_heading="Intervallmitte", interval=10, delimiter=";",
         decimal=",", time="%d.%m.%Y %H:%M:%S"),
    Make("label_said_above", preamble=("Remarque,Heures : d\u00e9but de chaque intervalle",), days=1, hours=(9, 13),
         zone="UTC", time="%Y-%m-%dT%H:%MZ"),
    Make("label_end_said_above", label="end", preamble=("Zeiten sind jeweils das Ende der Viertelstunde",), days=1,
         hours=(9, 13), zone="UTC", time="%Y-%m-%dT%H:%MZ"),
    Make("label_end_said", label="end", time_heading="Interval end"),
    Make("label_end_german", label="end",
         time_heading="Zeit (Ende)", delimiter=";", decimal=",", time="%d.%m.%Y %H:%M"),
    Make("label_end_unsaid", label="end"),
    Make("label_start_said", time_heading="Start time"),
    Make("utc_said", zone="UTC", time_heading="Time (UTC)"),
    Make("utc_unsaid", zone="UTC"),
    Make("standard_unsaid", zone="+01:00"),
    Make("standard_said", zone="+01:00", time_heading="Time (UTC+01:00)"),
    Make("winter", first=date(2026, 1, 14)),
    Make("winter_utc", first=date(2026, 1, 14), zone="UTC"),
    Make("spring_change", first=date(2026, 3, 27), days=5),
    Make("autumn_change", first=date(2026, 10, 23), days=5),
    Make("autumn_change_long", first=date(2026, 10, 23), days=5, shape="long"),
    Make("autumn_change_newest_first", first=date(2026, 10, 23), days=5, newest_first=True),
    Make("autumn_change_counter", first=date(2026, 10, 23), days=5, quantity="counter_wh", heading="{serial} Wh"),
    Make("minutes_1", interval=1, days=2),
    Make("minutes_5", interval=5),
    Make("minutes_10", interval=10),
    Make("minutes_20", interval=20),
    Make("minutes_30", interval=30),
    Make("minutes_60", interval=60, days=6),
    Make("watts", quantity="power_w", heading="{serial} Power (W)"),
    Make("kilowatts", quantity="power_kw", heading="{serial} kW"),
    Make("kilowatt_hours", quantity="energy_kwh", heading="{serial} kWh"),
    Make("watts_unsaid", quantity="power_w", heading="{serial}"),
    Make("kwh_unsaid", quantity="energy_kwh", heading="{serial}"),
    Make("wh_said_kwh", quantity="energy_wh", heading="{serial} (kWh)"),
    Make("kwh_said_wh", quantity="energy_kwh", heading="{serial} (Wh)"),
    Make("counter_kwh", label="end", quantity="counter_kwh", heading="Meter {serial} kWh"),
    Make("counter_unsaid", quantity="counter_wh", heading="{serial}"),
    Make("counter_daily", label="end", quantity="counter_wh", heading="{serial} today Wh", counter="daily"),
    Make("counter_rollover", label="end", quantity="counter_wh", heading="Total {serial} Wh", counter="rollover"),
    Make("counter_newest_first", label="end", quantity="counter_wh", heading="Total {serial} Wh", newest_first=True),
    Make("counter_minutes_1", label="end", quantity="counter_wh", heading="Total {serial} Wh", interval=1, days=2),
    Make("newest_first", newest_first=True, shape="long"),
    Make("missing_dash", missing="-"),
    Make("missing_empty", missing=""),
    Make("missing_na", missing="n/a", shape="long"),
    Make("missing_german", missing="k.A.", delimiter=";"),
    Make("zeros_lost", names="zeros_lost"),
    Make("zeros_lost_long", names="zeros_lost", shape="long"),
    Make("workbook", kind="xlsx"),
    Make("workbook_long", kind="xlsx", shape="long", preamble=("Export of readings",)),
    Make("workbook_missing", kind="xlsx", missing="n/a"),
    Make("archive", kind="zip", value_heading="Energy (Wh)"),
    Make("archive_counter", label="end", kind="zip", value_heading="Meter reading (kWh)", quantity="counter_kwh"),
    Make("blocks", shape="blocks", label="end"),
    Make("blocks_numbered", shape="blocks", names="numbered", preamble=("Readings of the roof",)),
    Make("transposed", shape="transposed", label="end", days=2),
    Make("day_rows", shape="days", time="%Y-%m-%d", time_heading="Date", preamble=("Values in Wh",)),
    Make("day_columns", shape="times", time="%Y-%m-%d", serials=SERIALS[:1]),
    Make("sheets", kind="xlsx", shape="sheets", label="end"),
    Make("sheets_numbered", kind="xlsx", shape="sheets", names="numbered"),
    Make("days_counted", time="days", delimiter=";"),
    Make("epoch_us", time="epoch_us", zone="UTC"),
    Make("ends_at_24", label="end", midnight_24=True),
    Make("french", time="%a %d %b %Y %H:%M", language="fr", delimiter=";", decimal=",",
         heading="{serial} Énergie (Wh)"),
    Make("spanish", time="%d-%b-%Y %H:%M", language="es", delimiter=";", decimal=",", time_heading="Hasta",
         label="end"),
    Make("italian", time="%d %b %Y %H:%M", language="it", delimiter=";", decimal=","),
    Make("german_months", time="%a, %d. %b %Y %H:%M", language="de", delimiter=";", decimal=","),
    Make("thousands_apart", quantity="counter_wh", thousands=" ", delimiter=";", decimal=",", label="end",
         heading="Total {serial} Wh", digits=1),
    Make("thousands_quoted", quantity="counter_wh", thousands="'", label="end", heading="Total {serial} Wh", digits=1),
    Make("cell_units", cell_unit="W", quantity="power_w", heading="{serial}"),
    Make("cell_units_kwh", cell_unit="kWh", quantity="energy_kwh", heading="{serial}", delimiter=";", decimal=","),
    Make("total_and_headings_again", total=True, again=40, footer="Generated at 2026-06-20 08:00 by Ana Ribeiro"),
    Make("negative_nights", negative=True, quantity="power_w", heading="{serial} W"),
    Make("ends_of_serials", names="end"),
    Make("serials_prefixed", names="prefixed", shape="long"),
    Make("serials_dashed", names="dashed"),
    Make("serials_spaced", names="spaced", shape="long"),
    Make("serials_lower", names="lower", serials=HEX_SERIALS),
    Make("serials_scientific", names="scientific", shape="long"),
    Make("numbered", names="numbered"),
    Make("numbered_long", names="numbered", shape="long", serial_heading="Inverter"),
    Make("named_by_roof", names="roof", heading="{serial} [Wh]"),
    Make("named_by_place", names="place"),
    Make("channels_long", shape="long", beside=("power", "dc", "ac", "hz", "temp")),
    Make("channels_wide", heading="{serial} Energy (Wh)", beside=("power", "dc")),
    Make("interval_of_each", shape="long", intervals=(5, 15, 15)),
    Make("interval_changes", intervals=(15, 5, 5), changes=True),
    Make("interval_changes_end", intervals=(15, 15, 5), changes=True, label="end", shape="long"),
    Make("moments", irregular=True, interval=5, quantity="power_w", heading="{serial} Power (W)"),
    Make("minutes_3", interval=3),
    Make("nights_left_out", hours=(2, 20), heading="{serial} Wh"),
    Make("hours_of_four_digits", time="%Y%m%d", second_time=("%H%M", "hhmm"), time_heading="date"),
    Make("hours_with_points", time="%d/%m/%Y", second_time=("%H.%M", "Ora"), time_heading="Data", delimiter=";"),
    Make("hours_without_zeros", time="%Y-%m-%d", second_time=("%-H:%-M", "clock time"), time_heading="day"),
    Make("hours_alone", time="%Y-%m-%d", second_time=("%-H", "Hour"), time_heading="Date", interval=60, days=6),
    Make("points_one_day", first=date(2026, 6, 3), days=1, **_DE),
    Make("date_above_with_points", time="%H:%M", days=1, delimiter=";", first=date(2026, 6, 3),
         preamble=("Tagesbericht;03.06.2026", "")),
    Make("thousands_thin", quantity="counter_wh", thousands="\u202f", delimiter=";", decimal=",", label="end",
         heading="Total {serial} Wh", digits=1),
    Make("time_of_printing_above", heading="{serial}", units_row="Wh", preamble=("Printed,2026-07-14 08:03",)),
    Make("transposed_unit_in_corner", shape="transposed", value_heading="Serial no. / Wh", days=1),
    Make("archive_east_west", kind="zip", azimuths=(90, 270, 90), quantity="power_w", value_heading="Power (W)"),
    Make("told_in_rows", shape="told", beside=("dc", "temp"), value_heading="Energy"),
    Make("states", shape="told", quantity="counter_wh", label="end", value_heading="total energy"),
    Make("energy_said_w", heading="{serial} Energy (W)"),
    Make("from_until", time="%d.%m.%Y", time_heading="Datum", second_time=("until", "Zeit"), delimiter=";"),
    Make("from_until_at_once", time="%Y-%m-%d %H:%M", second_time=("until_at_once", ""), time_heading="Period"),
    Make("days_under_dates", shape="dated", time="%d.%m.%Y", delimiter=";", preamble=("Energy in Wh", "")),
    Make("day_across", shape="across", time="%d.%m.%Y", delimiter=";", days=1),
    Make("columns_of_blanks", delimiter="columns", heading="{serial}", units_row="Wh"),
    Make("rows_numbered", is_numbered=True),
    Make("three_levels", upper="{serial}", heading="AC Power", units_row="W", quantity="power_w",
         extra=(("Outdoor temperature", lambda _t: "21.5"),)),
    Make("counter_half_hours", quantity="counter_wh", heading="Total {serial} Wh", interval=30, days=5),
    Make("counter_hours", quantity="counter_kwh", heading="Total {serial} kWh", interval=60, days=5, zone="UTC",
         offset="Z", time="%Y-%m-%dT%H:%M:%S"),
    Make("counter_kwh_unsaid", quantity="counter_kwh", heading="{serial}", label="end", midnight_24=True),
    Make("counter_wh_said_kwh", quantity="counter_wh", heading="Total {serial} kWh", label="end"),
    Make("numbered_without_heading", is_numbered=True, time_heading="start", heading="X{serial}.Wh"),
    Make("bounds_beside", heading="{serial} avg W", quantity="power_w", before=("max", "limit")),
    Make("direct_before_alternating", shape="long", value_heading="AC power (W)", quantity="power_w",
         before=("dc_power",)),
    Make("ids_of_rows", shape="long", value_heading="avg_power_w", quantity="power_w", before=("id",)),
    Make("end_said_above", label="end", preamble=("Every time is the end of the quarter hour that it closes.",),
         hours=(3, 19)),
    Make("received_beside", shape="long", time_heading="interval_start", received="received_at"),
    Make("hourly_utc_offset", interval=60, offset="Z", zone="UTC", label="end"),
    Make("hours_across", shape="hours", interval=60, days=6, time="%Y-%m-%d", value_heading="Energy in Wh"),
    Make("hours_across_workbook", kind="xlsx", shape="hours", interval=60, days=6, time="%Y-%m-%d",
         value_heading="Energy in Wh"),
    Make("hours_ending_across", shape="hours", interval=60, days=6, time="%d.%m.%Y", label="end", time_heading="Day",
         value_heading="Energy in Wh", delimiter=";"),
    Make("day_columns_workbook", kind="xlsx", shape="times", time="%Y-%m-%d", serials=SERIALS[:1], days=8),
    Make("days_side_by_side", shape="beside", time="%d.%m.%Y", time_heading="Start (Wh)", delimiter=";"),
    Make("days_under_labelled_dates", shape="dated", time="Day,%d.%m.%Y", preamble=("Energy in Wh", "")),
    Make("blocks_of_days", shape="day_blocks", time="Date: %Y-%m-%d", time_heading="Time of day", delimiter="|",
         preamble=("Written: 2026-07-14", "Times are the beginning of each interval")),
    Make("blocks_of_days_to_midnight", shape="day_blocks", time="Tag %d.%m.%Y", label="end", delimiter=";", decimal=",",
         heading="{serial}", preamble=("Energie je Intervall in Wh",), interval=60, days=5),
    Make("blocks_of_days_with_signs", shape="day_blocks", time="\u65e5\u4ed8: %Y-%m-%d", encoding="shift_jis",
         time_heading="\u6642\u523b", delimiter="\t"),
    Make("days_under_titles", shape="day_blocks", time="Energia del %d/%m/%Y [Wh]", delimiter=";",
         heading="{serial}", time_heading="Inizio", block_total=True),
    Make("titles_of_days_over_whole_times", shape="day_blocks", upper="Relev\u00e9 du %d/%m/%Y", time=_DMY,
         time_heading="D\u00e9but", delimiter=";", decimal=",", block_total=True),
    Make("day_to_midnight_under_its_date", shape="day_blocks", time="Day;%d.%m.%Y", label="end", delimiter=";", days=1),
    Make("columns_with_long_headings", delimiter="columns", time="%d %b %Y %H:%M", shape="long",
         time_heading="Date and time", quantity="energy_kwh", value_heading="Energy of the interval kWh"),
    Make("date_in_parts", time="%Y,%-m,%-d,%-H,%-M", time_heading="Year,Month,Day,Hour,Minute"),
    Make("date_in_parts_end", time="%Y,%m,%d,%-H,%-M", time_heading="Jahr,Monat,Tag,Stunde,Minute (Ende)", label="end"),
    Make("days_of_year", time="%Y,%-j,%-H%M", time_heading="year,doy,hhmm", interval=30),
    Make("days_of_year_with_clock", time="%Y,%j,%H:%M", time_heading="Year,Day of year,Time"),
    Make("hours_decimal", time="%Y-%m-%d", second_time=("hours", "Hour of the day"), time_heading="Date"),
    Make("hours_decimal_half", time="%Y-%m-%d", second_time=("hours", "hour"), time_heading="Date", interval=30),
    Make("minutes_of_the_day", time="%Y-%m-%d", second_time=("minutes", "minute of the day"), time_heading="Date"),
    Make("quarters_numbered", time="%d.%m.%Y", second_time=("number", "Viertelstunde"), time_heading="Tag"),
    Make("intervals_numbered", time="%Y-%m-%d", second_time=("number", "Interval no."), time_heading="Day", interval=5),
    Make("hours_numbered", time="%d/%m/%Y", second_time=("number", "Begin interval"), time_heading="Datum", interval=60,
         days=6, delimiter=";", decimal=","),
    Make("arabic_digits", delimiter=";", arabic=True),
    Make("unit_beside_power", shape="long", value_heading="Power", quantity="power_kw",
         extra=(("Unit", lambda _t: "kW"),)),
    Make("unit_beside_energy", shape="long", value_heading="Energia", extra=(("Unit\u00e0", lambda _t: "Wh"),)),
    Make("months_roman", language="roman", time="%-d-%b-%Y %H:%M"),
    Make("year_in_the_title", time="%d.%m. %H:%M", delimiter=";", preamble=("Leistung Juni 2026",)),
    Make("day_of_year_and_start", time="%Y,%-j,%H:%M", time_heading="Year,Day of year,Start"),
    Make("totals_of_days", delimiter=";", decimal=",", heading="{serial} (Wh)", day_total="Tagessumme"),
    Make("units_once", shape="once"),
    Make("seconds_of_the_day", time="%Y-%m-%d", second_time=("seconds", "seconds since midnight"), time_heading="Date"),
    Make("date_in_letters", time="%Y,%-m,%-d,%-H,%-M", time_heading="Y,M,D,h,min (start)"),
    Make("months_finnish", language="fi", time="%-d. %b %Y klo %-H.%M", time_heading="Aika", delimiter=";"),
    Make("months_turkish", language="tr", time="%-d %b %Y %H:%M", time_heading="Zaman", delimiter=";", decimal=","),
    Make("dates_hungarian", time="%Y.%m.%d. %H:%M", time_heading="Id\u0151", delimiter=";", encoding="cp1250"),
    Make("dates_czech", time="%d. %m. %Y %H:%M", time_heading="\u010cas", delimiter=";", encoding="cp1250"),
    Make("epoch_with_fraction", time="epoch_fraction", zone="UTC"),
    Make("watt_hours_in_words", heading="{serial}", preamble=("Watt-hours in the quarter hour",)),
    Make("hours_since", time="since", zone="+02:00", time_heading="hours since 2026-06-13T22:00:00Z"),
    Make("elapsed", time="elapsed", zone="+02:00", time_heading="Elapsed time", delimiter=";", decimal=",",
         preamble=("Started on 14.06.2026 00:00:00 (UTC+02:00)",)),
    Make("interval_with_length", time="%Y-%m-%dT%H:%M:%S%z/PT15M", time_heading="interval"),
    Make("interval_compact", time="%Y%m%dT%H%M%S%z/PT0H30M0S", time_heading="Period", interval=30),
    Make("blocks_with_totals", shape="blocks", block_total=True, beside=("ac",), delimiter=";", decimal=","),
    Make("cells_parted_by_blanks", delimiter=" ", time="%Y-%m-%dT%H:%M", is_numbered=True, heading="{serial}.Wh"),
    Make("zone_names", offset="name", zone="Europe/Athens", first=date(2026, 10, 23), days=5, time_heading="Start"),
    Make("zone_name_of_several", offset="name", zone="Asia/Kolkata", time="%d %b %Y %I:%M %p"),
    Make("zone_name_apart", time="%Y-%m-%d %H:%M", second_time=("%Z", "tz"), zone="Europe/Athens"),
    Make("weeks", time="%G-W%V-%u %H:%M"),
    Make("weeks_compact", time="%GW%V%uT%H:%M:%S", label="end"),
    Make("ordinals", time="%B %-dth, %Y %I:%M%p", delimiter=";"),
    Make("ordinals_of", time="%A, %-dth of %B %Y %H:%M"),
    Make("year_last", time="%a %b %d %H:%M:%S %Y"),
    Make("year_last_after_zone", time="%a %b %d %H:%M:%S %Z %Y"),
    Make("colon_after_date", time="%d/%b/%Y:%H:%M:%S %z"),
    Make("months_unparted", time="%d%b%Y:%H:%M:%S"),
    Make("signs_after_numbers", time="%Y年%m月%d日 %H:%M"),
    Make("signs_shift_jis", time="%Y年%-m月%-d日 %H:%M", time_heading="開始時刻", encoding="cp932",
         heading="発電量 {serial} (Wh)"),
    Make("compact_floating", time="%Y%m%d%H%M%S.0"),
    Make("day_rows_unit_in_corner", shape="days", time="%Y-%m-%d", time_heading="Date",
         serial_heading="Serial no. / Energy [Wh]"),
    Make("serials_before_times", shape="long", serials=HEX_SERIALS, serial_first=True),
    Make("lettered", names="letter", heading="{serial} [Wh]"),
    Make("blocks_with_note", shape="blocks", label="end", hours=(3, 19),
         preamble=("Note: Times are the end of each interval", "")),
    Make("workbook_written_above", kind="xlsx", time_heading="From", second_time=("end", "To"),
         preamble=("Site,Lindenweg 4", "Written,2026-06-20", "")),
    Make("sheets_with_a_dead_unit", kind="xlsx", shape="sheets", label="end", dead=(1,), quantity="counter_wh",
         value_heading="Meter reading (Wh)"),
    Make("russian", encoding="cp1251", time_heading="Время", heading="{serial} Энергия (Wh)", delimiter=";",
         decimal=",", hours=(3, 19), preamble=("Объект: Садовая 14", "Время — начало интервала")),
    Make("statements", shape="long", spelled="sql", time_heading="read_at", serial_heading="serial",
         value_heading="energy_wh"),
    Make("names_and_values", shape="long", spelled="pairs", delimiter=" ", time="epoch", zone="UTC",
         time_heading="ts", serial_heading="sn", value_heading="wh"),
    Make("lines_of_a_log", shape="long", spelled="log", delimiter=" ", time="%Y-%m-%dT%H:%M:%SZ", zone="UTC",
         value_heading="energy"),
    Make("autumn_change_hours", first=date(2026, 10, 25), days=6, interval=60),
    Make("energy_said_w_under_clear_sky", heading="{serial} Energy (W)", planes=(95, 170, 265), is_clear=True),
    Make("kwh_unsaid_under_clear_sky", quantity="energy_kwh", heading="{serial}", planes=(95, 170, 265),
         is_clear=True),
    Make("counter_megawatt_hours", quantity="counter_kwh", in_mega=True, heading="Total {serial} [MWh]", label="end"),
    Make("quantity_below", heading="{serial}", footer="Energy of each interval in Wh"),
    Make("gaps_9999", missing="9999", quantity="power_w", heading="{serial} (W)"),
    Make("gaps_65535_by_row", missing="65535.0", shape="long", delimiter=";", interval=60, days=5),
    Make("gaps_999_of_kilowatts", missing="999.000", quantity="power_kw", heading="{serial} kW", dead=(1,)),
    Make("ends_said_below", label="end", hours=(3, 19), footer="Note: each time is the end of its 15-minute interval."),
    Make("quantity_of_file", heading="{serial}", file="energia_Wh_por_15min"),
    Make("quantity_of_sheet", kind="xlsx", heading="{serial}", sheet="Mean power kW", quantity="power_kw"),
    Make("readme_beside", kind="zip", value_heading="Value", label="end", hours=(3, 19), zone="UTC",
         readme="Time zone: UTC\r\nTimes are the end of each interval.\r\nEnergy in Wh of 15 min\r\n"),
    Make("units_listed_above", names="letter", heading="{serial} [Wh]",
         preamble=tuple(f"Module {letter} = {serial}" for letter, serial in zip("ABC", SERIALS, strict=True))),
    Make("nights_dashed", nothing="-"),
    Make("nights_dashed_by_row", nothing="\u2013", shape="long", quantity="power_kw", value_heading="Leistung (kW)",
         delimiter=";", decimal=",", label="end", interval=5),
    Make("nights_dashed_sheets", nothing="\u2014", kind="xlsx", shape="sheets", newest_first=True),
    Make("nights_dashed_and_gaps", nothing="--", missing="--"),
    Make("gaps_dashed_nights_zero", missing="\u2013", interval=30, days=6),
    Make("archive_with_power_named", kind="zip", value_heading="Total (kWh)", quantity="counter_kwh", label="end",
         beside=("power",)),
    Make("decimals_of_each_column", turned=(1,), delimiter=";"),
    Make("decimals_of_each_counter", turned=(0, 2), delimiter=";", decimal=",", thousands=".", digits=1, label="end",
         quantity="counter_wh", heading="Total {serial} Wh"),
    Make("hours_of_twelve", time="%m/%d/%Y %I:%M"),
    Make("hours_of_twelve_newest_first", time="%d.%m.%Y %-I:%M:%S", shape="long", newest_first=True, delimiter=";"),
    Make("hours_of_twelve_apart", time="%Y-%m-%d", second_time=("%I:%M", "Time"), time_heading="Date", label="end",
         quantity="counter_wh", heading="Total {serial} Wh", interval=5),
    Make("hours_of_twelve_and_no_nights", time="%d/%m/%Y %I:%M", time_heading="Start of interval", hours=(3, 19)),
    Make("counter_shuffled", shuffled=True, quantity="counter_wh", label="end", heading="Total {serial} Wh"),
    Make("counter_shuffled_by_row", shuffled=True, quantity="counter_kwh", label="end", shape="long",
         value_heading="Meter (kWh)", time="%d.%m.%Y %H:%M", delimiter=";", decimal=","),
    Make("energy_shuffled", shuffled=True),
    Make("counter_days_newest_first", days_back=True, quantity="counter_wh", label="end", heading="Total {serial} Wh"),
    Make("signs_big5", encoding="big5", time_heading="結束時間", heading="發電量 {serial} (Wh)", delimiter="\t",
         label="end", hours=(3, 19)),
    Make("signs_euc_kr", encoding="euc_kr", time_heading="시작 시간", heading="발전량 {serial} (Wh)", hours=(3, 19)),
    Make("signs_gb18030", encoding="gb18030", time_heading="时间", heading="累计电量 {serial} (kWh)", label="end",
         quantity="counter_kwh", time="%Y年%m月%d日 %H:%M"),
    Make("objects_in_lines", spelled="objects", time="%Y-%m-%dT%H:%M:%S", missing=""),
    Make("objects_in_a_list", spelled="list", shape="long", time_heading="interval_start", serial_heading="device",
         value_heading="energy"),
    Make("marked_up_by_strokes", spelled="strokes", preamble=("# Readings of the roof", "")),
    Make("marked_up_by_row", spelled="org", shape="long", decimal=",", label="end", value_heading="Energie (Wh)"),
    Make("marked_up_for_a_wiki", spelled="wiki", time="%d.%m.%Y %H:%M", missing="-"),
    Make("marked_up_for_a_wiki_by_cell", spelled="wiki cells", shape="long", quantity="power_w",
         value_heading="Power (W)"),
    Make("marked_up_for_print", spelled="tex", quantity="counter_wh", label="end", heading="Meter {serial} Wh"),
    Make("watt_hours_of_the_si", heading="{serial} W\u00b7h", interval=20),
    Make("kilowatt_hours_of_the_si", shape="long", quantity="energy_kwh", value_heading="Energy",
         extra=(("Unit", lambda _t: "kW\u22c5h"),)),
    Make("watt_hours_over_minutes", heading="{serial} Wh/15min"),
    Make("watt_hours_said", heading="{serial} Watt-hours"),
    Make("yield_per_peak_beside", shape="long", extra=(("Yield (Wh/kWp)", lambda _t: "1.25"),)),
    Make("named_like_watts", names="west", heading="{serial} [Wh]",
         preamble=tuple(f"W{i};{serial}" for i, serial in enumerate(SERIALS, start=1)), delimiter=";"),
    Make("units_listed_aside", names="letter", heading="{serial} [Wh]", second_time=("end", "To"), time_heading="From",
         preamble=(",".join(["Units", *(f"Module {a}={s}" for a, s in zip("ABC", SERIALS, strict=True))]), "")),
    Make("units_listed_with_more", names="letter", heading="{serial} [Wh]",
         preamble=("Name,Serial,Rated W,Roof",
                   *(f"Module {a},{s},350,south" for a, s in zip("ABC", SERIALS, strict=True)), "")),
    Make("measure_above_serials", upper="Energy (Wh)", heading="{serial}"),
    Make("inputs_of_devices", names="input", serials=INPUTS),
    Make("months_hungarian", language="hu", time="%Y. %b %-d. %H:%M", time_heading="Id\u0151pont"),
    Make("months_czech", language="cs", time="%-d. %b %Y %H:%M", encoding="cp1250", delimiter=";"),
    Make("months_turkish_of_windows", language="tr", time="%-d %b %Y %H:%M", encoding="cp1254", delimiter=";",
         decimal=",", first=date(2026, 8, 20)),
    Make("dates_bulgarian", language="bg", time="%-d %b %Y \u0433. %H:%M \u0447.", delimiter=";", decimal=","),
    Make("hours_with_halves", time="%m/%d/%Y %I %p", interval=60, days=6),
    Make("commas_unquoted", decimal=",", unquoted=True, digits=2),
    Make("commas_unquoted_by_row", decimal=",", unquoted=True, shape="long", digits=3, label="end"),
    Make("missing_9999", missing="9999"),
    Make("missing_65535", missing="65535", shape="long", quantity="power_w", value_heading="Power (W)"),
    Make("footnote_says_end", label="end", hours=(3, 19),
         footer="Note: each time is the end of its 15-minute interval."),
    Make("measure_among_others_above", heading="{serial}",
         preamble=("Array,2.8 kW", "Rated,350 W", "Energy in Wh", "")),
    Make("days_of_year_of_iso", time="%Y-%j %H:%M"),
    Make("signs_with_halves", time="%Y년 %-m월 %-d일 %p %-I:%M", language="ko", encoding="cp949",
         time_heading="시작 시각",
         heading="발전량 {serial} (Wh)"),
    Make("full_width", full_width=True, delimiter=";", time_heading="開始"),
    Make("lines_quoted_whole", whole_quoted=True, delimiter=";", decimal=",", label="end"),
    Make("quarters_numbered_polish", time="%Y-%m-%d", second_time=("number", "Kwadrans"), time_heading="Doba",
         delimiter=";"),
    Make("hours_with_a_sign", time="%d.%m.%Y", second_time=("%-H h", "Heure"), time_heading="Jour", interval=60, days=6,
         delimiter=";", decimal=","),
    Make("pages", page=("Readings of the roof,,Page {n}", "")),
    Make("pages_of_columns", page=("\fLindenweg 4          Printed 14 Jul 2026 08:03        Page {n} of {last}", ""),
         delimiter="columns", heading="{serial}", units_row="Wh"),
    Make("pages_by_row", page=("Anlage Lindenweg 4;;Seite {n}",), shape="long", delimiter=";", decimal=",",
         value_heading="Energie [Wh]", time="%d.%m.%Y %H:%M", label="end"),
    Make("french_macintosh", encoding="mac-roman", time_heading="Début de chaque intervalle", delimiter=";",
         decimal=",", hours=(3, 19), time=_DMY),
    Make("hours_to_the_west", interval=60, days=6, planes=(250, 250, 250), first=date(2026, 5, 8), is_clear=True,
         time_heading="Start"),
)  # fmt: skip


def any_make(seed: int) -> Make:
    """Return a make with every property drawn by itself."""
    dice = random.Random(seed)  # noqa: S311 - invented files
    of = dice.choice
    delimiter, decimal = of([(",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ","), ("|", ".")])
    quantity = of(["energy_wh", "energy_kwh", "power_w", "power_kw", "counter_wh", "counter_kwh"])
    kind = {"energy": "Energy", "power": "Power", "counter": of(["Total", "Meter", "Counter"])}
    name, unit = kind[quantity.partition("_")[0]], {"w": "W", "wh": "Wh", "kw": "kW", "kwh": "kWh"}
    said = f"({unit[quantity.partition('_')[2]]})" if dice.random() < 0.8 else ""
    time = of(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M", "%m/%d/%Y %I:%M %p", "%Y/%m/%d %H:%M",
               "%d-%b-%Y %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y%m%dT%H%M%S", "%m/%d/%Y %H:%M:%S"])  # fmt: skip
    zone = of([ZONE, ZONE, "UTC", "+01:00"])
    interval = of([1, 2, 5, 10, 15, 15, 20, 30, 60])
    gaps = interval >= 5 and not quantity.startswith("counter")
    return Make(
        f"any_{seed}",
        encoding=of(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
        delimiter=delimiter,
        decimal=decimal,
        shape=of(["wide", "long"]),
        first=date(2026, dice.randint(1, 12), dice.randint(1, 28)),
        days=dice.randint(1, 8),
        interval=interval,
        time=time,
        time_heading=of(["Time", "Zeit", "Timestamp", "Datum/Uhrzeit", "Date", "Zeitpunkt", ""]),
        zone=zone,
        offset=of(["", "", "colon"]) if time.endswith("%S") and "T" in time else "",
        label=of(["start", "end"]),
        quantity=quantity,
        heading="{serial} " + f"{name} {said}".strip(),
        value_heading=f"{name} {said}".strip(),
        preamble=of([(), ("Readings of the roof",), ("Ana Ribeiro", "", "Made on 2026-09-01")]),
        missing=of([None, "", "-", "n/a"]) if gaps else None,
        newest_first=dice.random() < 0.25,
        counter=of(["plain", "daily", "rollover"]) if quantity == "counter_wh" else "plain",
        digits=of([1, 3, 4]),
        names="zeros_lost" if dice.random() < 0.2 else "serial",
    )
