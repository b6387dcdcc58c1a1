"""Export files of many makes, written from known energies. Shares no code with the reader."""

from __future__ import annotations

import io
import math
import random
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl

SERIALS = ("482913377001", "482913377002", "082913377003")
ZONE = "Europe/Berlin"
RATED_W = 350.0
RECORD: dict[str, Any] = {
    "name": "Lindenweg 4",
    "latitude": 52.5,
    "longitude": 13.4,
    "timezone": ZONE,
    "planes": [{"name": "south", "tilt_deg": 35, "azimuth_deg": 170}],
    "module_types": [{"name": "m", "pmax_w": 400}],
    "inverter_types": [{"name": "i", "ac_rated_w": RATED_W}],
    "units": [{"serial": s, "plane": "south", "module_type": "m", "inverter_type": "i"} for s in SERIALS],
}

Truth = dict[tuple[str, datetime], float]
"""Energies in Wh by serial and the start of their interval in UTC."""


@dataclass(frozen=True)
class Make:
    """How a file is made; `answers` is what its owner would say when asked."""

    name: str
    kind: str = "csv"
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    shape: str = "wide"
    first: date = date(2026, 6, 14)
    days: int = 3
    interval: int = 15
    time: str = "%Y-%m-%d %H:%M:%S"
    time_heading: str = "Time"
    second_time: tuple[str, str] | None = None
    zone: str = ZONE
    offset: str = ""
    label: str = "start"
    quantity: str = "energy_wh"
    heading: str = "{serial} (Wh)"
    value_heading: str = "Energy (Wh)"
    upper: str | None = None
    units_row: str | None = None
    preamble: tuple[str, ...] = ()
    missing: str | None = None
    newest_first: bool = False
    counter: str = "plain"
    digits: int = 4
    extra: tuple[tuple[str, Callable[[datetime], str]], ...] = ()
    zeros_lost: bool = False
    footer: str | None = None


def truth_of(make: Make) -> Truth:
    """Return energies of days that differ from each other and from unit to unit."""
    dice = random.Random(make.name)  # noqa: S311 - invented weather
    zone = ZoneInfo(ZONE)
    begin = datetime.combine(make.first, datetime.min.time(), zone).astimezone(UTC)
    end = datetime.combine(make.first + timedelta(days=make.days), datetime.min.time(), zone).astimezone(UTC)
    found: Truth = {}
    at = begin
    while at < end:
        sky = 0.6 + 0.4 * dice.random()
        for i, serial in enumerate(SERIALS):
            middle = at + timedelta(minutes=make.interval / 2)
            found[serial, at] = round(_power(middle) * (1 - 0.07 * i) * sky * make.interval / 60, make.digits)
        at += timedelta(minutes=make.interval)
    return found


def _power(at: datetime) -> float:
    """Return a power in W that is highest at 11:06 UTC, solar noon at 13.4 degrees east."""
    hours = at.hour + at.minute / 60 + at.second / 3600 - 11.1
    half = 7.8 if 4 <= at.month <= 9 else 5.2
    return 300 * max(0.0, math.cos(hours / half * math.pi / 2))


def answers_of(make: Make) -> dict[str, str]:
    """Return what is true of the file, by the keys of the questions."""
    return {
        "timezone": make.zone,
        "day_first": "true" if make.time.find("%d") < make.time.find("%m") else "false",
        "label": make.label,
        "quantity": make.quantity,
        "interval_min": str(make.interval),
        "decimal": "comma" if make.decimal == "," else "point",
    }


def write(make: Make, folder: Path) -> tuple[Path, Truth]:
    """Write the file and return it with what it says."""
    truth = truth_of(make)
    stem = folder / make.name
    if make.kind == "xlsx":
        return _workbook(make, truth, stem.with_suffix(".xlsx")), truth
    if make.kind == "zip":
        return _archive(make, truth, stem.with_suffix(".zip")), truth
    path = stem.with_suffix(".csv")
    path.write_bytes(_text(make, truth))
    return path, truth


def _archive(make: Make, truth: Truth, path: Path) -> Path:
    """Pack one file per unit, which alone its name names."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for serial in SERIALS:
            alone = replace(make, heading=make.value_heading, kind="csv")
            own = {key: wh for key, wh in truth.items() if key[0] == serial}
            archive.writestr(f"{serial}.csv", _text(alone, own))
    return path


def _text(make: Make, truth: Truth) -> bytes:
    lines = [
        *make.preamble,
        *(make.delimiter.join(_quoted(c, make) for c in row) for row in _rows(make, truth)),
    ]
    if make.footer:
        lines.append(make.footer)
    return ("\r\n".join(lines) + "\r\n").encode(make.encoding)


def _quoted(cell: str, make: Make) -> str:
    return f'"{cell}"' if make.delimiter in cell else cell


def _rows(make: Make, truth: Truth) -> Iterable[list[str]]:
    serials = list(dict.fromkeys(serial for serial, _ in truth))
    times = sorted({start for _, start in truth}, reverse=make.newest_first)
    shown = _shown(make, truth, serials)
    clock = [make.time_heading, *([make.second_time[1]] if make.second_time else [])]
    extra = [name for name, _ in make.extra]
    if make.shape == "wide":
        if make.upper:
            yield (
                ["" for _ in clock]
                + [make.upper.format(serial=s) for s in map(_name(make), serials)]
                + ["" for _ in extra]
            )
        yield clock + [make.heading.format(serial=s) for s in map(_name(make), serials)] + extra
        if make.units_row:
            yield ["" for _ in clock] + [make.units_row for _ in serials] + ["" for _ in extra]
        for t in times:
            yield _clock(make, t) + [shown[s, t] for s in serials] + [f(t) for _, f in make.extra]
        return
    yield [*clock, "Serial", make.value_heading, *extra]
    for t in times:
        for s in serials:
            yield [*_clock(make, t), _name(make)(s), shown[s, t], *(f(t) for _, f in make.extra)]


def _name(make: Make) -> Callable[[str], str]:
    return lambda serial: serial.lstrip("0") if make.zeros_lost else serial


def _zone(name: str) -> tzinfo:
    if name[0] in "+-":
        return timezone(timedelta(hours=int(name[:3])))
    return UTC if name == "UTC" else ZoneInfo(name)


def _clock(make: Make, start: datetime) -> list[str]:
    at = start + timedelta(minutes=make.interval if make.label == "end" else 0)
    local = at.astimezone(_zone(make.zone))
    if make.time in ("epoch", "epoch_ms"):
        return [str(int(at.timestamp()) * (1000 if make.time == "epoch_ms" else 1))]
    offset = {"": "", "Z": "Z", "colon": local.isoformat()[-6:]}[make.offset]
    found = [local.strftime(make.time) + offset]
    if make.second_time:
        other = at + timedelta(minutes=make.interval) if make.second_time[0] == "end" else at
        pattern = make.time if make.second_time[0] == "end" else make.second_time[0]
        found.append(other.astimezone(_zone(make.zone)).strftime(pattern))
    return found


def _shown(make: Make, truth: Truth, serials: list[str]) -> dict[tuple[str, datetime], str]:
    dice = random.Random(f"{make.name} gaps")  # noqa: S311 - invented gaps
    found = {}
    for serial in serials:
        run = {"rollover": 99_999_000.0}.get(make.counter, 5_000.0 if make.counter == "plain" else 0.0)
        day = None
        for start in sorted(t for s, t in truth if s == serial):
            wh = truth[serial, start]
            local = start.astimezone(ZoneInfo(ZONE)).date()
            if make.counter == "daily" and day not in (None, local):
                run = 0.0
            day = local
            run += wh
            value = _value(make, wh, run % 1e8)
            lost = make.missing is not None and dice.random() < 0.02
            found[serial, start] = str(make.missing) if lost else _number(make, value)
    return found


def _value(make: Make, wh: float, run: float) -> float:
    kind, _, unit = make.quantity.partition("_")
    value = {"energy": wh, "power": wh * 60 / make.interval, "counter": run}[kind]
    return value / 1000 if unit.startswith("k") else value


def _number(make: Make, value: float) -> str:
    text = f"{value:,.{make.digits + 3 if 'k' in make.quantity else make.digits}f}"
    return text.replace(",", "\0").replace(".", make.decimal).replace("\0", make.thousands)


def _workbook(make: Make, truth: Truth, path: Path) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for line in make.preamble:
        sheet.append([line])
    for number, row in enumerate(_rows(make, truth)):
        cells: list[Any] = list(row)
        if number:
            cells[0] = datetime.strptime(row[0], make.time)  # noqa: DTZ007 - a workbook's times have no zone
            cells[1:] = [_typed(c) for c in row[1:]]
        sheet.append(cells)
    buffer = io.BytesIO()
    book.save(buffer)
    path.write_bytes(buffer.getvalue())
    return path


def _typed(cell: str) -> Any:
    try:
        return float(cell)
    except ValueError:
        return cell or None


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
    Make("zeros_lost", zeros_lost=True),
    Make("zeros_lost_long", zeros_lost=True, shape="long"),
    Make("workbook", kind="xlsx"),
    Make("workbook_long", kind="xlsx", shape="long", preamble=("Export of readings",)),
    Make("workbook_missing", kind="xlsx", missing="n/a"),
    Make("archive", kind="zip", value_heading="Energy (Wh)"),
    Make("archive_counter", label="end", kind="zip", value_heading="Meter reading (kWh)", quantity="counter_kwh"),
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
        zeros_lost=dice.random() < 0.2,
    )
