"""What a person says of a table before it is read; columns that stand one below the other; columns of W beside kW."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from service.intake.export.model import Known, Proposal
from service.intake.export.propose import checked_answers, propose
from service.intake.export.read import Tally, read
from service.intake.export.tables import Table, tables_of
from service.intake.problems import Refused
from tests.intake.export.corpus import RECORD, SERIALS

KNOWN = Known.of_record(RECORD)
SETTLED = {"label": "start", "timezone": "UTC", "quantity": "energy_wh"}
TIMES = [f"2026-06-14 {10 + i // 4}:{15 * (i % 4):02}" for i in range(8)]


def _table(folder: Path, text: str | bytes, said: Mapping[str, str]) -> Table:
    path = folder / "export.txt"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    (table,) = tables_of(path, said=said)
    return table


def _propose(folder: Path, text: str | bytes, **said: str) -> Proposal:
    answers = checked_answers({**SETTLED, **said})
    return propose(_table(folder, text, answers), KNOWN, answers)


def _read(folder: Path, text: str | bytes, **said: str) -> dict[str, list[float]]:
    answers = checked_answers({**SETTLED, **said})
    table = _table(folder, text, answers)
    proposal = propose(table, KNOWN, answers)
    assert proposal.recipe is not None, proposal.refused
    found: dict[str, list[float]] = {}
    for piece in read(table, proposal.recipe, KNOWN, Tally()):
        for one in piece.samples:
            found.setdefault(one.serial, []).extend(one.values.tolist())
    return found


# Said by a person


def test_encoding_that_bytes_do_not_show_can_be_said(tmp_path: Path) -> None:
    rows = "\n".join(f"{time},7" for time in TIMES)
    text = f"Zeit,Stockwerk Süd {SERIALS[0]} Wh\n{rows}\n".encode("cp850")
    assert "Süd" in str(_propose(tmp_path, text, encoding="cp850").guesses["units"].value)
    assert _propose(tmp_path, text, encoding="cp850").guesses["encoding"].why == "answered"


@pytest.mark.parametrize("said", ["comma", ","])
def test_delimiter_can_be_said_by_word_or_sign(said: str, tmp_path: Path) -> None:
    text = "\n".join([f"Time,{SERIALS[0]} Wh | south", *(f"{time},{i} | x" for i, time in enumerate(TIMES))])
    assert _propose(tmp_path, text).guesses["delimiter"].value == "|"
    proposal = _propose(tmp_path, text, delimiter=said)
    assert proposal.guesses["delimiter"].value == ","


def test_row_of_the_headings_can_be_said(tmp_path: Path) -> None:
    rows = [f"{time},{i},{2 * i}" for i, time in enumerate(TIMES)]
    noted = "\n".join([f"Time,{SERIALS[1]} Wh,{SERIALS[0]} Wh", "Note,no warranty,for anything", *rows])
    assert _propose(tmp_path, noted).guesses["header_row"].value == 2
    assert _read(tmp_path, noted, header_row="1")[SERIALS[0]] == [2 * i for i in range(8)]
    assert _propose(tmp_path, noted, header_row="1").guesses["header_row"].value == "1"


def test_what_cannot_be_said_is_refused_with_what_can_be() -> None:
    with pytest.raises(Refused) as refused:
        checked_answers({"encoding": "punycode", "delimiter": "x", "header_row": "-1"})
    told = {error.field: str(error.message) for error in refused.value.errors}
    assert "cp1252" in told["encoding"]
    assert told["delimiter"] == "must be one of: tab, semicolon, stroke, comma, columns"
    assert told["header_row"] == "must be one of: 0 (there are none) to 100"


# Columns one below the other


@pytest.mark.parametrize("decimal", [".", ","])
def test_columns_with_blanks_between_are_read(decimal: str, tmp_path: Path) -> None:
    lines = [
        "Readings of the roof",
        "",
        f"{'Time':<18}{SERIALS[0] + ' Wh':>17}{SERIALS[1] + ' Wh':>17}",
        "-" * 52,
    ]
    for i, time in enumerate(TIMES):
        other = "" if i == 3 else f"{10 + i:.1f}"
        lines.append(f"{time:<18}{i + 0.5:>17.1f}{other:>17}".replace(".", decimal))
    found = _read(tmp_path, "\n".join([*lines, ""]))
    assert found == {
        SERIALS[0]: [i + 0.5 for i in range(8)],
        SERIALS[1]: [10.0 + i for i in range(8) if i != 3],
    }
    assert _propose(tmp_path, "\n".join(lines)).guesses["delimiter"].value == "columns"


def test_names_with_a_blank_in_them_stay_whole_in_columns(tmp_path: Path) -> None:
    lines = ["Unit    Time              Wh"]
    lines += [f"Unit {u}  {time}  {u}.5" for time in TIMES for u in (1, 2)]
    found = _read(tmp_path, "\n".join(lines), units=f"Unit 1:{SERIALS[0]},Unit 2:{SERIALS[2]}")
    assert found == {SERIALS[0]: [1.5] * 8, SERIALS[2]: [2.5] * 8}


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimited_text_is_not_taken_for_columns(delimiter: str, tmp_path: Path) -> None:
    text = "\n".join(delimiter.join(row) for row in [("Time", SERIALS[0]), *((t, "5") for t in TIMES)])
    assert _propose(tmp_path, text).guesses["delimiter"].value == delimiter


# Columns of their own


def test_columns_of_watts_and_kilowatts_are_read_as_one_quantity(tmp_path: Path) -> None:
    rows = [f"{time},{100 + i},{0.2 + i / 1000}" for i, time in enumerate(TIMES)]
    text = "\n".join([f"Time,{SERIALS[0]} (W),{SERIALS[1]} (kW)", *rows])
    path_answers = {"label": "start", "timezone": "UTC"}
    table = _table(tmp_path, text, {})
    proposal = propose(table, KNOWN, path_answers)
    assert proposal.recipe is not None
    assert proposal.recipe.quantity == "power_w"
    (piece,) = read(table, proposal.recipe, KNOWN, Tally())
    values = {one.serial: one.values.tolist() for one in piece.samples}
    assert values[SERIALS[0]] == pytest.approx([100 + i for i in range(8)])
    assert values[SERIALS[1]] == pytest.approx([200 + i for i in range(8)])


@pytest.mark.parametrize(("heading", "taken"), [("Trim", False), ("UTC offset", True)])
def test_small_numbers_with_a_sign_are_offsets_only_under_a_word_for_it(
    heading: str, taken: bool, tmp_path: Path
) -> None:
    text = "\n".join([f"Time,{heading},{SERIALS[0]} Wh", *(f"{time},+2,7" for time in TIMES)])
    columns = _propose(tmp_path, text).guesses["time_columns"].value
    assert (heading in columns) == taken


def test_many_names_written_in_another_way_take_one_line(tmp_path: Path) -> None:
    record = {**RECORD, "units": [{**RECORD["units"][0], "serial": f"4829133780{i:02}"} for i in range(40)]}
    names = [f"SN-4829-1337-80{i:02} Wh" for i in range(40)]
    text = "\n".join([",".join(["Time", *names]), *(",".join([time, *["7"] * 40]) for time in TIMES)])
    proposal = propose(_table(tmp_path, text, {}), Known.of_record(record), SETTLED)
    assert [w for w in proposal.warnings if "taken for" in w] == [
        "40 names were taken for serials, such as SN-4829-1337-8000 Wh for 482913378000: "
        "a serial of the record, written in another way"
    ]
