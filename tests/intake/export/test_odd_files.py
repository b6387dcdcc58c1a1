"""Files that are damaged, hostile or say too little: a clear refusal, a warning, or a rejected row with its reason."""

from __future__ import annotations

import gzip
import io
import random
import time
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from service.intake.export.blocks import Block
from service.intake.export.model import Known, Proposal
from service.intake.export.naming import stem
from service.intake.export.propose import checked_answers, propose
from service.intake.export.read import Rejected, Tally, read
from service.intake.export.reshape import unfolded
from service.intake.export.tables import tables_of
from service.intake.export.together import proposed
from service.intake.problems import Refused
from tests.intake.export import written
from tests.intake.export.corpus import RECORD, SERIALS, Make

KNOWN = Known.of_record(RECORD)
ANSWERS = {"label": "start", "quantity": "energy_wh", "timezone": "UTC", "interval_min": "15"}


GAPS = {(11, 15), (13, 30), (15, 45)}


def _file(folder: Path, text: str | bytes, name: str = "export.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def _propose(path: Path, **answers: str) -> Proposal:
    (table,) = tables_of(path)
    return propose(table, KNOWN, answers)


def _read(path: Path, **answers: str) -> tuple[list[float], list[Rejected], list[str]]:
    """Return the values, what was rejected, and what a person should know."""
    (table,) = tables_of(path)
    proposal = propose(table, KNOWN, {**ANSWERS, **answers})
    assert proposal.recipe is not None, proposal.refused
    tally = Tally()
    pieces = list(read(table, proposal.recipe, KNOWN, tally))
    values = [v for p in pieces for s in p.samples for v in s.values.tolist()]
    return values, [r for p in pieces for r in p.rejected], tally.warnings(proposal.recipe)


def _rows(*cells: str, heading: str = f"{SERIALS[0]} Wh") -> str:
    lines = [f"2026-06-14 {10 + i // 4}:{15 * (i % 4):02},{cell}" for i, cell in enumerate(cells)]
    return "\n".join([f"Time,{heading}", *lines, ""])


# Opening


def _packed(**members: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (_packed(zeros=b"0" * (1 << 25)), "unpacks to far more"),
        (_packed(inner=_packed(a=b"1")), "archive in an archive"),
        (_packed(), "holds no file|damaged"),
        (b"PK\x03\x04 and no more", "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "save it as .xlsx"),
        (b"\x09\x00\x04\x00\x02\x00\x10\x00" + bytes(600), "workbook of the old kind"),
        (b"\n<html><table><tr><td>2026-06-14", "is a web page, whatever its name says"),
        (b'<?xml version="1.0"?>\n<!DOCTYPE html><html><body>', "is a web page"),
        (b'\xef\xbb\xbf<?xml version="1.0"?>\n<values><value at="2026-06-14">1</value>', "is XML, which is not read"),
        (b'{"at": ["2026-06-14T10:00Z"], "wh": [1, 2]}\n', "is JSON without rows"),
        (b'[\n {"at": 1}]', "is JSON without rows"),
        (b"SQLite format 3\0", "is a database"),
        (b"%PDF-1.7", "for people"),
        (b"PAR1" + bytes(90), "is Parquet"),
        (b"Rar!\x1a\x07\x01\x00", "pack it as .zip"),
        (_packed(**{"content.xml": b"<a/>", "META-INF/manifest.xml": b"<a/>"}), "is an OpenDocument file"),
        (_packed(**{"[Content_Types].xml": b"<a/>", "xl/workbook.bin": b"1"}), "kept in binary; save it as .xlsx"),
        (_packed(**{"[Content_Types].xml": b"<a/>", "word/document.xml": b"<a/>"}), "for people"),
    ],
    ids=["bomb", "nested", "empty", "cut", "old workbook", "oldest workbook", "web page", "web page in XML", "XML",
         "JSON", "list of JSON", "database", "document", "Parquet", "other archive", "OpenDocument",
         "binary workbook", "text document"],
)  # fmt: skip
def test_archive_that_cannot_be_opened_says_what_to_do(content: bytes, said: str, tmp_path: Path) -> None:
    with pytest.raises(Refused, match=said):
        tables_of(_file(tmp_path, content, "export.zip"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column holds times"),
        ("just words\nand more\n", "no column holds times"),
        (bytes(range(256)) * 20, "no column holds times"),
        ("Größe;Wh\nklein;1\n".encode("cp1252"), "no column holds times with a date; its letters were read as cp1252"),
        ("Time,482913377001 Wh\n14.06. 10:00,1\n14.06. 10:15,1\n", "no year, such as 14.06. 10:00; export them"),
        ("Day,Hour,482913377001 Wh\n06/14,10:00,1\n06/14,10:15,1\n", "no year, such as 06/14"),
        ("Time,482913377001 Wh\nJun 14 10:00,1\nJun 14 10:15,1\n", "no year, such as Jun 14 10:00"),
        ("Size,482913377001 Wh\n1.5,1\n2.5,1\n", "no column holds times"),
        ("Date,482913377001 Wh\n2026-06-14,5\n2026-06-15,6\n", "one value a day"),
        ("Time,4.82913E+11 Wh\n2026-06-14 10:00,1\n2026-06-14 10:15,1\n", "lost their last digits"),
        ("Time,482913377001 Wh,482913377002 kW\n2026-06-14 10:00,1,2\n2026-06-14 10:15,1,2\n", "different units"),
        ("Time,482913377001 (kVA)\n2026-06-14 10:00,1\n2026-06-14 10:15,1\n", "in kVA, which is not read; export W"),
        ("Time,482913377001 Wh\n2026-06-14 10:00,1,5\n2026-06-14 10:15,2,5\n", "3 cells under 2 headings"),
        ("Time,482913377001 W\n2026-06-14 10:00,-100.5\n2026-06-14 10:15,-110.5\n", "its values are negative"),
        ("Time,482913377001 Wh\n2026-06-14 10:00,1\n2026-06-14 14:00,1\n2026-06-14 18:00,1\n", "240 min apart"),
    ],
)  # fmt: skip
def test_table_without_readings_says_what_is_missing(text: str, said: str, tmp_path: Path) -> None:
    refused = _propose(_file(tmp_path, text)).refused
    assert refused is not None
    assert said in refused


def test_file_of_another_kind_in_an_archive_is_left_and_said(tmp_path: Path) -> None:
    members = {
        "a.csv": _rows("1.5", "2.5").encode(),
        "b.pdf": b"%PDF-1.7",
        "c.json": b'{"made": "2026-06-20"}',
    }
    tables = tables_of(_file(tmp_path, _packed(**members), "export.zip"))
    found = {p.table.rpartition("/")[2]: p.refused for _, p in proposed(tables, KNOWN, ANSWERS)}
    assert found["a.csv"] is None
    assert "for people" in str(found["b.pdf"])
    assert "is JSON" in str(found["c.json"])


def test_hours_without_am_or_pm_are_refused(tmp_path: Path) -> None:
    make = Make("half_days", time="%m/%d/%Y %I:%M", first=date(2026, 6, 14))
    refused = _propose(written.write(make, tmp_path)[0]).refused
    assert refused is not None
    assert "AM or PM" in refused


def test_what_swells_or_holds_too_much_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    bomb = gzip.compress(b"0" * (1 << 25))
    (table,) = tables_of(_file(tmp_path, bomb, "export.csv.gz"))
    with pytest.raises(Refused, match="unpacks to far more"):
        list(table.rows())
    dice = random.Random(1)  # noqa: S311 - bytes that do not pack
    for part in ("xl/styles.xml", "xl/worksheets/sheet1.xml"):
        book = _packed(**{"[Content_Types].xml": b"", part: dice.randbytes(1 << 20) * 40})
        with pytest.raises(Refused, match="more text than a workbook"):
            tables_of(_file(tmp_path, book, "export.xlsx"))


def test_packed_text_is_read_and_where_it_is_cut_that_is_said(tmp_path: Path) -> None:
    packed = gzip.compress(_rows(*map(str, range(50))).encode())
    assert _read(_file(tmp_path, packed, "export.csv.gz"))[0] == list(range(50))
    for name, content in (("a.csv.gz", packed[:-20]), ("a.zip", _packed(a=_rows("1").encode())[:-40])):
        with pytest.raises(Refused, match="damaged"):
            _read(_file(tmp_path, content, name))


# Damage


def test_damage_on_the_way_gives_what_stands_before_and_says_so(tmp_path: Path) -> None:
    (table,) = tables_of(_file(tmp_path, _rows("1", "2", "3", "4")))
    recipe = propose(table, KNOWN, ANSWERS).recipe
    assert recipe is not None

    def broken(_: object) -> Iterator[Block]:
        yield from table.blocks()
        raise EOFError

    pieces = read(replace(table, open=broken), recipe, KNOWN, Tally())
    assert next(pieces).samples[0].values.tolist() == [1, 2, 3, 4]
    with pytest.raises(Refused, match=r"damaged.*5 rows before the damage were read"):
        next(pieces)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b'2026-06-14 10:30,"3', "opens a quotation mark"),
        (b"2026-06-14 10:30," + b"3" * 200_000, "one of its cells is too long"),
        (b"3,4," * 2_000_000, "is too long for a row"),
        (b"2026-06-14 10:30,3\0", "is not a number"),
        (b"2026-06-14 10:30,\xff\xfe3", "is not a number"),
        (b"2026-06-14 10\xff30,3", "time cannot be read"),
    ],
    ids=["quote", "cell", "line", "nul", "encoding", "encoding of a time"],
)
def test_line_that_is_no_row_costs_no_other(line: bytes, reason: str, tmp_path: Path) -> None:
    lines = _rows(*map(str, range(1, 56))).encode().split(b"\n")
    lines[3] = line
    values, rejected, _ = _read(_file(tmp_path, b"\n".join(lines)))
    assert values == [1, 2, *range(4, 56)]
    (only,) = rejected
    assert (only.row, len(only.text) <= 200) == (4, True)
    assert reason in only.reason


# Asking


def test_unknown_keys_and_impossible_answers_are_refused_together() -> None:
    with pytest.raises(Refused) as refused:
        checked_answers({"colour": "red", "label": "centre", "timezone": "Moon/Sea", "interval_min": "90"})
    assert {e.field for e in refused.value.errors} == {"colour", "label", "timezone", "interval_min"}


def test_numbers_that_may_have_a_decimal_comma_or_thousands_are_asked_for(tmp_path: Path) -> None:
    text = _rows("1,234", "2,345", "3,456").replace(",", ";", 1)
    text = "\n".join(line.replace(",", ";", 1) for line in text.split("\n"))
    assert "decimal" in {q.key for q in _propose(_file(tmp_path, text)).questions}
    assert _read(_file(tmp_path, text), decimal="comma")[0] == [1.234, 2.345, 3.456]
    assert _read(_file(tmp_path, text), decimal="point")[0] == [1234, 2345, 3456]


def test_offsets_in_the_times_hold_against_an_answer_and_that_is_said(tmp_path: Path) -> None:
    make = Make("offsets", time="%Y-%m-%dT%H:%M:%S", offset="colon")
    proposal = _propose(written.write(make, tmp_path)[0], timezone="UTC")
    assert any("own offset" in w for w in proposal.warnings)


def test_offsets_against_the_sun_are_told_of(tmp_path: Path) -> None:
    make = Make("wrong_offsets", time="%Y-%m-%dT%H:%M:%S", offset="Z")
    assert any("solar noon" in w for w in _propose(written.write(make, tmp_path)[0]).warnings)


def test_proposal_names_every_property_with_confidence_and_reason(tmp_path: Path) -> None:
    guesses = _propose(written.write(Make("all", missing="n/a"), tmp_path)[0]).guesses
    wanted = "encoding delimiter header_row shape time_columns units missing decimal "
    wanted += "day_first interval_min quantity label timezone"
    assert set(guesses) == set(wanted.split())
    assert all(0 < g.confidence <= 1 and g.why for g in guesses.values())
    assert guesses["missing"].value == ["n/a"]


def test_answers_that_the_readings_contradict_are_told_of(tmp_path: Path) -> None:
    path, _ = written.write(Make("contradicted"), tmp_path)
    warnings = _propose(path, label="start", quantity="energy_kwh", timezone="UTC").warnings
    assert any("not what such inverters give" in w for w in warnings)
    assert any("off solar noon" in w for w in warnings)
    assert _propose(path, label="start", quantity="energy_wh", timezone="Europe/Berlin").warnings == ()


def test_few_readings_leave_zone_label_and_quantity_open(tmp_path: Path) -> None:
    text = _rows("1", "2", "3", "4", heading=SERIALS[0])
    assert {"timezone", "label", "quantity"} <= {q.key for q in _propose(_file(tmp_path, text)).questions}


# Rejecting


def test_what_is_no_number_or_no_time_is_rejected_with_row_and_reason(tmp_path: Path) -> None:
    text = _rows("1.5", "error", "2.5", "1.5", "1.5", "1.5", "1.5") + "Total,9\n"
    values, rejected, _ = _read(_file(tmp_path, text + "14 June 10:30,5\n"))
    assert values == [1.5, 2.5, 1.5, 1.5, 1.5, 1.5]
    assert [(r.row, r.text, r.reason) for r in rejected] == [
        (3, "error", "is not a number"),
        (10, "14 June 10:30 | 5", "its time cannot be read"),
    ]


def test_sums_comments_and_repeated_headings_are_passed_over_with_a_word(tmp_path: Path) -> None:
    text = _rows("1.5", "2.5", "1.5", "1.5", "1.5", "1.5")
    lines = text.rstrip().split("\n")
    lines[4:4] = [lines[0], "# 3 more", ""]
    values, rejected, warnings = _read(
        _file(tmp_path, "\n".join([*lines, "Total,9", "Made at 10:00 by Ana", ""]))
    )
    assert values == [1.5, 2.5, 1.5, 1.5, 1.5, 1.5]
    assert rejected == []
    assert any(w.startswith("4 lines without readings were passed over, such as Time |") for w in warnings)


def test_times_that_the_clock_leaps_over_are_rejected(tmp_path: Path) -> None:
    lines = [f"2026-03-29 0{h}:{m:02},1" for h in (1, 2, 3) for m in (0, 15, 30, 45)]
    text = "\n".join([f"Time,{SERIALS[0]} Wh", *lines])
    values, rejected, _ = _read(_file(tmp_path, text), timezone="Europe/Berlin")
    assert len(values) == 8
    assert {r.reason for r in rejected} == {
        "this time does not exist in the zone: the clock is put forward over it"
    }


def test_serial_that_lost_its_digits_is_rejected_in_rows(tmp_path: Path) -> None:
    rows = [f"2026-06-14 10:{15 * i},{s},1" for i in range(4) for s in (*SERIALS, "4.82913E+11")]
    _, rejected, _ = _read(_file(tmp_path, "\n".join(["Time,Serial,Wh", *rows]).replace("10:0,", "10:00,")))
    assert len(rejected) == 4
    assert all("lost digits" in r.reason for r in rejected)


# Counters


def test_counter_that_leaps_stands_still_or_is_silent(tmp_path: Path) -> None:
    at = ("10:00", "10:15", "10:30", "10:45", "11:00", "15:00", "15:15")
    shown = ("1000", "1020", "999999", "1060", "1080", "1500", "1520")
    lines = [f"2026-06-14 {t},{v}" for t, v in zip(at, shown, strict=True)]
    path = _file(tmp_path, "\n".join([f"Time,Total {SERIALS[0]} Wh", *lines]))
    values, rejected, _ = _read(path, quantity="counter_wh", label="end")
    assert values == [20, 20, 20]
    assert [r.row for r in rejected] == [4, 5, 7]
    assert "420 Wh" in rejected[-1].reason


def test_resets_and_rollovers_are_counted(tmp_path: Path) -> None:
    rows = _rows("99990", "99995", "5", "10", "15", "2", "4", heading=f"Total {SERIALS[0]} Wh")
    values, _, warnings = _read(_file(tmp_path, rows), quantity="counter_wh", label="end")
    assert values == [5, 10, 5, 5, 2, 2]
    assert any("began anew 1 times" in w for w in warnings)
    assert any("rolled over 1 times" in w for w in warnings)


def test_steps_that_are_no_interval_are_told_of(tmp_path: Path) -> None:
    lines = [
        f"2026-06-14 {h:02}:{m:02},1" for h in range(10, 18) for m in (0, 15, 30, 45) if (h, m) not in GAPS
    ]
    _, _, warnings = _read(_file(tmp_path, "\n".join([f"Time,{SERIALS[0]} Wh", *lines])))
    assert any("steps are of 30 min" in w for w in warnings)


def test_names_that_are_no_serials_are_asked_for(tmp_path: Path) -> None:
    text = "Time,North roof (Wh),South roof (Wh),Sum (Wh)\n2026-06-14 10:00,1,2,3\n2026-06-14 10:15,1,2,3\n"
    path = _file(tmp_path, text)
    asked = {q.key: q for q in _propose(path).questions}["units"]
    assert [part.name for part in asked.parts] == ["North roof", "South roof"]
    assert asked.choices == (*SERIALS, "-")
    assert _read(path, units=f"North roof:{SERIALS[1]},South roof:-")[0] == [1.0, 1.0]


def test_workbook_with_dates_and_times_in_cells_of_their_own(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["Datum", "Uhrzeit", f"{SERIALS[0]} Wh"])
    for minute in (0, 15, 30, 45):
        cells = (date(2026, 6, 14), f"10:{minute:02}", 1.5)
        sheet.append(cells)
    path = tmp_path / "apart.xlsx"
    book.save(path)
    assert _read(path)[0] == [1.5] * 4


def test_units_that_a_table_does_not_tell_apart_are_refused(tmp_path: Path) -> None:
    lines = [
        f"2026-06-14 {h:02}:{m:02},{h * m + u}" for u in range(3) for h in range(10, 14) for m in (5, 15, 35)
    ]
    refused = _propose(_file(tmp_path, "\n".join([f"Time,{SERIALS[0]} Wh", *lines]))).refused
    assert refused is not None
    assert "does not tell apart" in refused


def test_output_at_night_is_doubted(tmp_path: Path) -> None:
    path, _ = written.write(Make("night"), tmp_path)
    assert any("in the night" in w for w in _propose(path, timezone="Asia/Tokyo").warnings)


def test_further_channels_are_read_beside_the_energy(tmp_path: Path) -> None:
    make = Make("beside", heading="{serial} Energy (Wh)", beside=("power", "dc", "ac", "hz", "temp"), days=1)
    (table,) = tables_of(written.write(make, tmp_path)[0])
    proposal = propose(table, KNOWN, ANSWERS)
    assert proposal.recipe is not None
    found = {s.channel for p in read(table, proposal.recipe, KNOWN, Tally()) for s in p.samples}
    assert found == {"energy_wh", "dc_voltage_v", "ac_voltage_v", "frequency_hz", "temperature_c"}
    assert any("Power (W)" in w for w in proposal.warnings)


@pytest.mark.parametrize("name", ["Unit {}", "Inverter {}", "SN {}a"])
def test_numbered_headings_name_units_and_hold_no_serials(tmp_path: Path, name: str) -> None:
    watt_hours = (0, 0, 5, 19, 32, 43, 52, 43, 32, 19, 5, 0, 0)
    lines = [",".join(("Time", *map(name.format, (1, 2, 3))))]
    lines += [f"2026-06-14 {6 + i:02}:00,{wh},{wh},{wh}" for i, wh in enumerate(watt_hours)]
    proposal = _propose(_file(tmp_path, "\n".join([*lines, ""])))
    assert proposal.refused is None
    (units,) = (question for question in proposal.questions if question.key == "units")
    assert [part.name for part in units.parts] == [name.format(number) for number in (1, 2, 3)]


def test_heading_of_brackets_without_end_takes_no_time() -> None:
    """Each bracket began a search to the end of the line: a damaged file of 850 kB took minutes."""
    began = time.process_time()
    stem("[" * 200_000 + "482913377001 (Wh)")
    assert time.process_time() - began < 5  # linear: milliseconds; by the square of the length: minutes


def test_cell_of_brackets_without_end_is_looked_at_in_no_time(tmp_path: Path) -> None:
    (table,) = tables_of(_file(tmp_path, "[" * 100_000 + "1"))
    began = time.process_time()
    assert propose(unfolded(table), KNOWN, {}).refused is not None
    assert time.process_time() - began < 5  # as above


def test_counter_in_no_order_of_time_is_sorted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"2026-06-{14 + i // 96} {i % 96 // 4:02}:{i % 4 * 15:02},{5000 + i}.5" for i in range(192)]
    random.Random(1).shuffle(rows)  # noqa: S311 - no secret
    (table,) = tables_of(_file(tmp_path, "\n".join([f"Time,{SERIALS[0]} Meter reading (Wh)", *rows])))
    found = propose(table, KNOWN, {})
    assert found.recipe is not None
    assert any("sorted by it" in warning for warning in found.warnings)
    (piece,) = read(table, found.recipe, KNOWN, Tally())
    (samples,) = piece.samples
    assert samples.values.tolist() == [1.0] * 191
    assert set(np.diff(samples.starts).tolist()) == {900}
    assert not piece.rejected
    monkeypatch.setattr("service.intake.export.look.MOST_SORTED", 100)
    assert "sort them by time" in str(propose(table, KNOWN, {}).refused)
    twice = [*rows, *(f"{row[:16]},7" for row in rows)]
    (table,) = tables_of(_file(tmp_path, "\n".join([f"Time,{SERIALS[0]} Meter reading (Wh)", *twice])))
    assert propose(table, KNOWN, {}).refused is not None
    (table,) = tables_of(_file(tmp_path, "\n".join([f"Time,{SERIALS[0]} Energy (Wh)", *rows])))
    assert propose(table, KNOWN, {"quantity": "energy_wh"}).refused is None


def test_archive_whose_list_points_before_its_begin_is_damaged(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("readings.csv", "Time,Wh")
    raw = bytearray(packed.getvalue())
    raw[-6:-2] = (int.from_bytes(raw[-6:-2], "little") + 5).to_bytes(4, "little")  # where the list begins
    with pytest.raises(Refused, match="damaged"):
        tables_of(_file(tmp_path, bytes(raw), "readings.zip"))
