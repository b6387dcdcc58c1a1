"""Writes a make of the corpus as a file: text, a workbook or an archive."""

from __future__ import annotations

import io
import json
import random
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import groupby
from pathlib import Path
from typing import Any
from zlib import crc32
from zoneinfo import ZoneInfo

import openpyxl

from tests.intake.export.corpus import ZONE, Make, Truth, interval_of, truth_of

Row = list[str]
MONTHS = {
    "de": "Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez",
    "fr": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "es": "ene feb mar abr may jun jul ago sep oct nov dic",
    "it": "gen feb mar apr mag giu lug ago set ott nov dic",
    "fi": "tammikuuta helmikuuta maaliskuuta huhtikuuta toukokuuta kesäkuuta "
    "heinäkuuta elokuuta syyskuuta lokakuuta marraskuuta joulukuuta",
    "hu": "január február március április május június július augusztus szeptember október november december",
    "cs": "ledna února března dubna května června července srpna září října listopadu prosince",
    "bg": "януари февруари март април май юни юли август септември октомври ноември декември",
    "roman": "I II III IV V VI VII VIII IX X XI XII",
    "tr": "Ocak Şubat Mart Nisan Mayıs Haziran Temmuz Ağustos Eylül Ekim Kasım Aralık",  # noqa: RUF001 - its letters
}
ARABIC = str.maketrans({str(n): chr(0x660 + n) for n in range(10)})
DAYS = {
    "de": "Mo Di Mi Do Fr Sa So",
    "fr": "lun. mar. mer. jeu. ven. sam. dim.",
    "es": "lun mar mié jue vie sáb dom",
    "it": "lun mar mer gio ven sab dom",
}
BESIDE: dict[str, tuple[str, Callable[[float], str]]] = {
    "power": ("Power (W)", lambda w: f"{w:.1f}"),
    "dc": ("DC voltage (V)", lambda w: f"{33 + w / 100:.1f}"),
    "ac": ("AC voltage (V)", lambda w: f"{229 + w / 100:.1f}"),
    "hz": ("Frequency (Hz)", lambda w: f"{50 + w / 10000:.2f}"),
    "temp": ("Temperature (°C)", lambda w: f"{15 + w / 10:.1f}"),
    "max": ("max W", lambda w: f"{1.2 * w + (w > 0):.1f}"),
    "limit": ("limit W", lambda _w: "350.0"),
    "dc_power": ("DC power (W)", lambda w: f"{w / 0.96:.1f}"),
    "id": ("id", lambda _w: "0"),
}


@dataclass(frozen=True)
class Grid:
    """What a file says: a row for each time, with the cells of each unit."""

    make: Make
    times: list[datetime]
    cells: dict[tuple[str, datetime], str]
    watts: dict[tuple[str, datetime], float]
    serials: list[str]


def write(make: Make, folder: Path) -> tuple[Path, Truth]:
    """Write the file and return it with what it says."""
    truth = truth_of(make)
    stem = folder / (make.file or f"export_{_letters(make.name)}")
    if make.kind == "xlsx":
        return _workbook(make, truth, stem.with_suffix(".xlsx")), truth
    if make.kind == "zip":
        return _archive(make, truth, stem.with_suffix(".zip")), truth
    path = stem.with_suffix(".csv")
    path.write_bytes(_text(make, truth))
    return path, truth


def _letters(name: str) -> str:
    """Return letters of its own for a name, which is not to tell what the reader finds out."""
    return "".join(chr(ord("a") + int(digit, 16)) for digit in f"{crc32(name.encode()):x}")


def _alone(make: Make, truth: Truth) -> Iterator[tuple[str, Make, Truth]]:
    """Give a file of each unit, which only its name names."""
    for serial, name in make.shown_names.items():
        alone = replace(make, heading=make.value_heading, kind="csv", shape="wide", upper=None)
        yield (
            name.replace("/", "-").replace(":", "-"),
            alone,
            {key: wh for key, wh in truth.items() if key[0] == serial},
        )


def _archive(make: Make, truth: Truth, path: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, alone, own in _alone(make, truth):
            archive.writestr(f"{name}.csv", _text(alone, own))
        if make.readme:
            archive.writestr("README.txt", make.readme)
    return path


def _text(make: Make, truth: Truth) -> bytes:
    rows = list(_rows(make, truth))
    if make.spelled:
        body = list(_spelled_out(rows, make))
    elif make.delimiter == "columns":
        wide = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
        body = ["  ".join(cell.rjust(width) for cell, width in zip(row, wide, strict=True)) for row in rows]
    else:
        body = [make.delimiter.join(_quoted(c, make) for c in row) for row in rows]
    lines = [*make.preamble, *(_paged(body, make) if make.page else body)]
    if make.whole_quoted:
        lines = [f'"{line}"' for line in lines]
    if make.footer:
        lines.append(make.footer)
    text = "\r\n".join(lines) + "\r\n"
    if make.full_width:
        text = "".join(chr(ord(c) + 0xFEE0) if c in "0123456789.:-" else c for c in text)
    if make.arabic:
        text = re.sub(r"(\d)\.(\d)", "\\1\u066b\\2", text).translate(ARABIC)
    return text.encode(make.encoding)


def _paged(body: list[str], make: Make) -> Iterator[str]:
    """Give pages of 40 rows, each with the running head and the headings."""
    count = 1 + bool(make.units_row)
    last = -(-(len(body) - count) // 40)
    for n in range(last):
        yield from (line.format(n=n + 1, last=last) for line in make.page)
        yield from (*body[:count], *body[count + 40 * n :][:40], "")


def _spelled_out(rows: list[Row], make: Make) -> Iterator[str]:
    """Give long rows as statements, as names and values, or as lines of a log."""
    names, data = rows[0], rows[1:]
    if make.spelled in MARKED_UP:
        yield from MARKED_UP[make.spelled](names, data)
        return
    if make.spelled == "pairs":
        yield from (" ".join(f"{n}={c}" for n, c in zip(names, row, strict=True)) for row in data)
    elif make.spelled == "log":
        yield from (
            f"{time} INFO unit {serial} {make.value_heading} {value} Wh" for time, serial, value in data
        )
    else:
        yield "CREATE TABLE readings (read_at timestamp, serial text, energy_wh real);"
        for i in range(0, len(data), 50):
            yield f"INSERT INTO readings ({', '.join(names)}) VALUES"
            told = [f"  ('{time}', '{serial}', {value})" for time, serial, value in data[i : i + 50]]
            yield from (f"{line}," for line in told[:-1])
            yield f"{told[-1]};"


def _in_strokes(names: Row, data: list[Row]) -> Iterator[str]:
    yield from (f"| {' | '.join(row)} |" for row in (names, ["---:" for _ in names], *data))


def _in_org(names: Row, data: list[Row]) -> Iterator[str]:
    rule = f"|{'+'.join('-----' for _ in names)}|"
    lines = [f"| {' | '.join(row)} |" for row in (names, *data)]
    yield from ("#+CAPTION: Readings", rule, lines[0], rule, *lines[1:], rule)


def _in_wiki(names: Row, data: list[Row]) -> Iterator[str]:
    yield from ('{| class="wikitable"', "|+ Readings", "|-", f"! {' !! '.join(names)}")
    yield from (line for row in data for line in ("|-", f"| {' || '.join(row)}"))
    yield "|}"


def _in_wiki_cells(names: Row, data: list[Row]) -> Iterator[str]:
    yield from ("{|", *(f'! scope="col" | {name}' for name in names))
    yield from (
        line for row in data for line in ("|-", *(f'| style="text-align:right" | {cell}' for cell in row))
    )
    yield "|}"


def _in_tex(names: Row, data: list[Row]) -> Iterator[str]:
    yield from ("\\begin{tabular}{lrrr}", "\\hline")
    yield from (f"{' & '.join(row)} \\\\" for row in (names, *data))
    yield "\\end{tabular}"


def _in_objects(names: Row, data: list[Row]) -> Iterator[str]:
    yield from (json.dumps(dict(zip(names, row, strict=True))) for row in data)


def _in_a_list(names: Row, data: list[Row]) -> Iterator[str]:
    """Give one list of objects, with numbers and an object within."""
    for i, (at, *named, value) in enumerate(data):
        held = dict(zip(names, [at, *named], strict=False)) | {
            names[-1]: {"value": float(value), "unit": "Wh"}
        }
        yield f"{',' if i else '['}{json.dumps(held)}"
    yield "]"


MARKED_UP: dict[str, Callable[[Row, list[Row]], Iterator[str]]] = {
    "strokes": _in_strokes,
    "org": _in_org,
    "wiki": _in_wiki,
    "wiki cells": _in_wiki_cells,
    "tex": _in_tex,
    "objects": _in_objects,
    "list": _in_a_list,
}


def _quoted(cell: str, make: Make) -> str:
    return f'"{cell}"' if make.delimiter in cell and not make.unquoted else cell


def _grid(make: Make, truth: Truth) -> Grid:
    serials = list(dict.fromkeys(serial for serial, _ in truth))
    times = sorted({start for _, start in truth}, reverse=make.newest_first)
    if make.irregular:
        dice = random.Random(f"{make.name} moments")  # noqa: S311 - invented moments
        times = [t + timedelta(seconds=dice.randint(1, 59 * make.interval)) for t in times]
    return Grid(make, times, *_shown(make, truth, serials, times), serials)


def _rows(make: Make, truth: Truth) -> Iterable[Row]:
    grid = _grid(make, truth)
    shape = {
        "wide": _wide,
        "long": _long,
        "blocks": _blocks,
        "transposed": _transposed,
        "days": _days,
        "times": _times,
        "told": _told,
        "dated": _dated,
        "once": _once,
        "day_blocks": _day_blocks,
        "across": _across,
        "hours": _hours,
        "beside": _side_by_side,
    }
    rows = [_parted(row, make) for row in shape[make.shape](grid)]
    if make.serial_first:
        place = len(_clock_heading(make))
        rows = [[row[place], *row[:place], *row[place + 1 :]] for row in rows]
    if make.days_back:
        rows[1:] = sorted(rows[1:], key=lambda row: row[0][:10], reverse=True)
    if make.shuffled:
        rows[1:] = random.Random(make.name).sample(rows[1:], len(rows) - 1)  # noqa: S311 - no secret
    if make.is_numbered:
        rows[1:] = [[str(i), *row] for i, row in enumerate(rows[1:])]
    if make.again:
        rows[make.again : make.again] = [rows[0], ["# continued"]]
    if make.total:
        rows.append(["Total", *("123.4" for _ in rows[0][1:])])
    return rows


def _parted(row: Row, make: Make) -> Row:
    """Return a row whose date in parts, or beside a word, has a cell for each."""
    return [*row[0].split(","), *row[1:]] if row and "," in make.time.replace(", ", "") else row


def _wide(grid: Grid) -> Iterator[Row]:
    make, names = grid.make, grid.make.shown_names
    clock = _clock_heading(make)
    blank, extra = ["" for _ in clock], [name for name, _ in make.extra]
    each = [(s, b) for s in grid.serials for b in (*make.before, "", *make.beside)]
    if make.upper:
        yield blank + [make.upper.format(serial=names[s]) for s, _ in each] + ["" for _ in extra]
    headings = [f"{names[s]} {BESIDE[b][0]}" if b else make.heading.format(serial=names[s]) for s, b in each]
    yield clock + headings + extra + (["Sum (Wh)"] if make.total else [])
    if make.units_row:
        yield blank + [make.units_row for _ in each] + ["" for _ in extra]
    for t in grid.times:
        cells = [_beside(grid, s, t, b) if b else grid.cells.get((s, t), "") for s, b in each]
        yield _clock(make, t) + cells + [f(t) for _, f in make.extra] + (["99.5"] if make.total else [])
        if (
            make.day_total
            and f"{t.astimezone(_zone(make.zone)) + timedelta(minutes=make.interval):%H%M}" == "0000"
        ):
            yield [make.day_total, *(f"{1000 + i}{make.decimal}5" for i, _ in enumerate(cells))]


def _long(grid: Grid) -> Iterator[Row]:
    make = grid.make
    extra, number = [name for name, _ in make.extra], 5000
    yield [
        *_clock_heading(make),
        make.serial_heading,
        *(BESIDE[b][0] for b in make.before),
        make.value_heading,
        *(BESIDE[b][0] for b in make.beside),
        *extra,
    ]
    for t in grid.times:
        for s in grid.serials:
            if (s, t) in grid.cells:
                beside = [_beside(grid, s, t, b) for b in make.beside]
                number += 1
                yield [
                    *_clock(make, t, s),
                    make.shown_names[s],
                    *(str(number) if b == "id" else _beside(grid, s, t, b) for b in make.before),
                    grid.cells[s, t],
                    *beside,
                    *(f(t) for _, f in make.extra),
                ]


def _told(grid: Grid) -> Iterator[Row]:
    """Give a row for each value, which says what it is of; without further channels the unit's name says it, too."""
    make = grid.make
    if not make.beside:
        yield [*_clock_heading(make), "Entity", "State", "Unit of measure"]
        for t in grid.times:
            for s in grid.serials:
                yield [
                    *_clock(make, t, s),
                    f"roof.{s}_{make.value_heading}".replace(" ", "_"),
                    grid.cells[s, t],
                    "Wh",
                ]
        return
    yield [*_clock_heading(make), make.serial_heading, "Channel", "Value", "Unit"]
    for t in grid.times:
        for s in grid.serials:
            yield [*_clock(make, t, s), s, make.value_heading, grid.cells[s, t], "Wh"]
            for b in make.beside:
                name, _, unit = BESIDE[b][0].rstrip(")").partition(" (")
                yield [*_clock(make, t, s), s, name, _beside(grid, s, t, b), unit]


def _blocks(grid: Grid) -> Iterator[Row]:
    """Give a table for each unit, one after another, with its name above."""
    make = grid.make
    for s in grid.serials:
        yield [f"Device: {make.shown_names[s]}"]
        yield [*_clock_heading(make), make.value_heading, *(BESIDE[b][0] for b in make.beside)]
        for t in grid.times:
            if (s, t) in grid.cells:
                yield [*_clock(make, t, s), grid.cells[s, t], *(_beside(grid, s, t, b) for b in make.beside)]
        if make.block_total:
            yield ["Total", "1234.5", *("" for _ in make.beside)]
        yield []


def _dated(grid: Grid) -> Iterator[Row]:
    """Give rows with a time only, under a row for each day with its date."""
    make, day = grid.make, ""
    yield ["Time", *(make.heading.format(serial=make.shown_names[s]) for s in grid.serials)]
    for t in grid.times:
        at = _local(make, t)
        if at.strftime(make.time) != day:
            day = at.strftime(make.time)
            yield from ([], [day])
        yield [f"{at:%H:%M}", *(grid.cells[s, t] for s in grid.serials)]


def _once(grid: Grid) -> Iterator[Row]:
    """Give a unit's rows one below the other, with its name in the first of them only."""
    make = grid.make
    yield [make.serial_heading, *_clock_heading(make), make.value_heading]
    for s in grid.serials:
        name = make.shown_names[s]
        for t in grid.times:
            yield [name, *_clock(make, t, s), grid.cells[s, t]]
            name = ""


def _day_blocks(grid: Grid) -> Iterator[Row]:
    """Give a block for each day of what was made on it, under its date and headings of its own."""
    make = grid.make
    title = make.upper or make.time
    days = groupby(grid.times, lambda t: t.astimezone(_zone(make.zone)).strftime(title))
    for day, times in days:
        yield from ([], [day])
        yield [make.time_heading, *(make.heading.format(serial=make.shown_names[s]) for s in grid.serials)]
        for t in times:
            clock = _clock(make, t)[0] if make.upper else f"{_local(make, t):%H:%M:%S}"
            yield [clock, *(grid.cells[s, t] for s in grid.serials)]
        if make.block_total:
            yield ["Total", *("123.4" for _ in grid.serials)]


def _across(grid: Grid) -> Iterator[Row]:
    """Give the times of one day across, under its date, and a row for each unit."""
    make = grid.make
    yield [f"Sheet of {_local(make, grid.times[0]).strftime(make.time)}", make.value_heading]
    yield ["Unit", *(f"{_local(make, t):%H:%M}" for t in grid.times)]
    for s in grid.serials:
        yield [make.shown_names[s], *(grid.cells[s, t] for t in grid.times)]


def _transposed(grid: Grid) -> Iterator[Row]:
    make = grid.make
    yield [make.value_heading, *(_clock(make, t)[0] for t in grid.times)]
    for s in grid.serials:
        yield [make.shown_names[s], *(grid.cells[s, t] for t in grid.times)]


def _days(grid: Grid) -> Iterator[Row]:
    """Give a row for each unit and day, a column for each time of the day."""
    make = grid.make
    found: dict[tuple[str, str], dict[str, str]] = {}
    for t in grid.times:
        at = _local(make, t)
        for s in grid.serials:
            found.setdefault((at.strftime(make.time), make.shown_names[s]), {})[f"{at:%H:%M}"] = grid.cells[
                s, t
            ]
    hours = sorted({hour for cells in found.values() for hour in cells})
    yield [make.time_heading, make.serial_heading, *hours]
    for (day, name), cells in found.items():
        yield [day, name, *(cells.get(hour, "") for hour in hours)]


def _times(grid: Grid) -> Iterator[Row]:
    """Give a row for each time of the day, a column for each day, of the first unit alone."""
    make, serial = grid.make, grid.serials[0]
    found: dict[str, dict[str, str]] = {}
    for t in grid.times:
        at = _local(make, t)
        found.setdefault(f"{at:%H:%M}", {})[at.strftime(make.time)] = grid.cells[serial, t]
    days = list(dict.fromkeys(day for cells in found.values() for day in cells))
    yield [f"{make.shown_names[serial]} {make.value_heading}"]
    yield [make.time_heading, *days]
    for hour in sorted(found):
        yield [hour, *(found[hour].get(day, "") for day in days)]


def _hours(grid: Grid) -> Iterator[Row]:
    """Give a block for each unit, with a row for each day and a column for each hour, by its number or its end."""
    make = grid.make
    ends = make.label == "end"
    yield [make.value_heading]
    for s in grid.serials:
        days: dict[str, list[str]] = {}
        for t in grid.times:
            at = t.astimezone(_zone(make.zone))
            days.setdefault(at.strftime(make.time), []).append(grid.cells[s, t])
        yield []
        yield [make.shown_names[s]]
        yield [make.time_heading, *(f"HE{hour + 1}" if ends else str(hour) for hour in range(24))]
        yield from ([day, *cells] for day, cells in days.items())


def _side_by_side(grid: Grid) -> Iterator[Row]:
    """Give the days side by side, each under its date with a column for each unit, and times down the side."""
    make = grid.make
    local = [_local(make, t) for t in grid.times]
    days = list(dict.fromkeys(at.strftime(make.time) for at in local))
    yield ["", *(cell for day in days for cell in (day, *("" for _ in grid.serials[1:])))]
    yield [make.time_heading, *(make.shown_names[s] for _ in days for s in grid.serials)]
    rows: dict[str, Row] = {}
    for t, at in zip(grid.times, local, strict=True):
        rows.setdefault(f"{at:%H:%M}", []).extend(grid.cells[s, t] for s in grid.serials)
    yield from ([clock, *cells] for clock, cells in rows.items())


# Cells


def _clock_heading(make: Make) -> Row:
    return [
        *filter(None, [make.received]),
        make.time_heading,
        *([make.second_time[1]] if make.second_time and make.second_time[1] else []),
    ]


def _zone(name: str) -> tzinfo:
    if name[0] in "+-":
        return timezone(timedelta(hours=int(name[:3])))
    return UTC if name == "UTC" else ZoneInfo(name)


def _minutes(make: Make, start: datetime, serial: str | None) -> int:
    day = (start.astimezone(ZoneInfo(ZONE)).date() - make.first).days
    return interval_of(make, serial or make.serials[0], day)


def _labelled(make: Make, start: datetime, serial: str | None = None) -> datetime:
    share = 0.0 if make.irregular else {"start": 0.0, "middle": 0.5, "end": 1.0}[make.label]
    return start + share * timedelta(minutes=_minutes(make, start, serial))


def _local(make: Make, start: datetime) -> datetime:
    return _labelled(make, start).astimezone(_zone(make.zone))


def _clock(make: Make, start: datetime, serial: str | None = None) -> Row:
    at = _labelled(make, start, serial)
    local = at.astimezone(_zone(make.zone))
    if make.time.startswith("epoch"):
        factor = {"epoch": 1, "epoch_ms": 1000, "epoch_us": 1_000_000}.get(make.time)
        return [str(int(at.timestamp()) * factor) if factor else f"{at.timestamp():.3f}"]
    if make.time == "days":
        whole = local.replace(tzinfo=None) - datetime(1899, 12, 30)  # noqa: DTZ001 - as spreadsheets count
        return [f"{whole / timedelta(days=1):.6f}"]
    if make.time in ("since", "elapsed"):
        gone = local.replace(tzinfo=None) - datetime.combine(make.first, datetime.min.time())
        hours, minutes = divmod(gone // timedelta(minutes=1), 60)
        return [f"{hours}:{minutes:02}:00" if make.time == "elapsed" else f"{hours + minutes / 60:.4f}"]
    offset = {"": "", "Z": "Z", "colon": local.isoformat()[-6:], "name": f" {local:%Z}"}[make.offset]
    if make.midnight_24 and local.hour + local.minute == 0:
        found = [_text_of(make, local - timedelta(days=1)).replace("00:00", "24:00")]
    else:
        found = [_text_of(make, local) + offset]
    if make.second_time and make.second_time[0].startswith("until"):
        end = f"{(at + timedelta(minutes=make.interval)).astimezone(_zone(make.zone)):%H:%M}"
        return [f"{found[0]} - {end}"] if make.second_time[1] == "" else [*found, f"{local:%H:%M}-{end}"]
    if make.second_time and make.second_time[0] in ("hours", "minutes", "seconds", "number"):
        minute = local.hour * 60 + local.minute
        of = {
            "hours": f"{minute / 60:.2f}",
            "minutes": str(minute),
            "seconds": str(60 * minute),
            "number": str(minute // make.interval + 1),
        }
        return [*found, of[make.second_time[0]]]
    if make.second_time:
        other = at + timedelta(minutes=make.interval) if make.second_time[0] == "end" else at
        pattern = make.time if make.second_time[0] == "end" else make.second_time[0]
        found.append(other.astimezone(_zone(make.zone)).strftime(pattern))
    if make.received:
        heard = local + timedelta(minutes=make.interval, seconds=7)
        found.insert(0, _text_of(make, heard) + offset)
    return found


def _text_of(make: Make, local: datetime) -> str:
    pattern = make.time
    if make.language == "ko":
        pattern = pattern.replace("%p", "오후" if local.hour >= 12 else "오전")
    elif make.language != "en":
        pattern = pattern.replace("%b", MONTHS[make.language].split()[local.month - 1])
    if make.language in DAYS:
        pattern = pattern.replace("%a", DAYS[make.language].split()[local.weekday()])
    return local.strftime(pattern)


def _shown(
    make: Make, truth: Truth, serials: list[str], times: Sequence[datetime]
) -> tuple[dict[tuple[str, datetime], str], dict[tuple[str, datetime], float]]:
    dice = random.Random(f"{make.name} gaps")  # noqa: S311 - invented gaps
    cells, watts = {}, {}
    at = dict(zip(sorted({t for _, t in truth}, reverse=make.newest_first), times, strict=True))
    for serial in serials:
        turned = str.maketrans(",.", ".,") if serials.index(serial) in make.turned else {}
        run = {"rollover": 99_999_000.0}.get(make.counter, 5_000.0 if make.counter == "plain" else 0.0)
        day = None
        for start in sorted(t for s, t in truth if s == serial):
            wh, minutes = truth[serial, start], _minutes(make, start, serial)
            local = start.astimezone(ZoneInfo(ZONE)).date()
            if make.counter == "daily" and day not in (None, local):
                run = 0.0
            day = local
            run += wh
            watts[serial, at[start]] = wh * 60 / minutes
            value = _value(make, wh, run % 1e8, minutes)
            if make.negative and wh == 0:
                value = -0.0002 if make.quantity.endswith(("kw", "kwh")) else -0.2
            lost = make.missing is not None and dice.random() < 0.02
            shown = make.nothing if make.nothing and value == 0 else _number(make, value)
            cells[serial, at[start]] = str(make.missing) if lost else shown.translate(turned)
    return cells, watts


def _beside(grid: Grid, serial: str, at: datetime, what: str) -> str:
    if (serial, at) not in grid.watts:
        return ""
    return BESIDE[what][1](grid.watts[serial, at]).replace(".", grid.make.decimal)


def _value(make: Make, wh: float, run: float, minutes: int) -> float:
    kind, _, unit = make.quantity.partition("_")
    value = {"energy": wh, "power": wh * 60 / minutes, "counter": run}[kind]
    return value / (1000 if unit.startswith("k") else 1) / (1000 if make.in_mega else 1)


def _number(make: Make, value: float) -> str:
    text = f"{value:,.{make.digits + 3 * ('k' in make.quantity) + 3 * make.in_mega}f}"
    text = text.replace(",", "\0").replace(".", make.decimal).replace("\0", make.thousands)
    return f"{text} {make.cell_unit}" if make.cell_unit else text


# Workbooks


def _workbook(make: Make, truth: Truth, path: Path) -> Path:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    if make.shape == "sheets":
        book.remove(sheet)
        for name, alone, own in _alone(make, truth):
            _fill(book.create_sheet(name), alone, own)
    else:
        sheet.title = make.sheet or sheet.title
        _fill(sheet, make, truth)
    buffer = io.BytesIO()
    book.save(buffer)
    path.write_bytes(buffer.getvalue())
    return path


def _fill(sheet: Any, make: Make, truth: Truth) -> None:
    for line in make.preamble:
        sheet.append(line.split(","))
    for row in _rows(make, truth):
        sheet.append([_typed(cell, make) for cell in row])


def _typed(cell: str, make: Make) -> Any:
    try:
        return datetime.strptime(cell, make.time)  # noqa: DTZ007 - a workbook's times have no zone
    except ValueError:
        pass
    try:
        return float(cell) if len(cell) < 11 else cell
    except ValueError:
        return cell or None
