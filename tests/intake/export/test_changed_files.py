"""Files of the corpus with something changed that a person would see: rows gone, a factor said, columns beside."""

from __future__ import annotations

import csv
import random
import re
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest

from tests.intake.export import written
from tests.intake.export.corpus import Make, Truth
from tests.intake.export.judged import Found, known_of, proposals, taken, wrong

MAKE = Make("plain", digits=6)
Rows = list[list[str]]


def _changed(folder: Path, make: Make, change: Callable[[Rows], Rows]) -> tuple[Path, Truth]:
    path, truth = written.write(make, folder)
    rows = change(list(csv.reader(path.read_text().splitlines())))
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    return path, truth


def _read(path: Path, make: Make) -> tuple[Found, dict[object, float]]:
    found = proposals(path, known_of(make), {})
    assert not [q for _, p in found for q in p.questions]
    assert not [p.refused for _, p in found if p.refused]
    return found, {**taken(found, known_of(make))[0]}


# Rows gone by chance


@pytest.mark.parametrize("share", [0.1, 0.2, 0.35])
def test_gaps_by_chance_are_no_other_interval(share: float, tmp_path: Path) -> None:
    dice = random.Random(share)  # noqa: S311 - invented gaps
    make = Make("long", shape="long", days=7)
    path, truth = _changed(
        tmp_path, make, lambda rows: [r for r in rows if r == rows[0] or dice.random() > share]
    )
    _, got = _read(path, make)
    assert len(got) > 0.9 * (1 - share) * len(truth)
    assert all(wh == pytest.approx(truth[key], abs=0.001) for key, wh in got.items())  # type: ignore[index]


# A factor beside the unit of measure


@pytest.mark.parametrize(
    ("unit", "times"),
    [
        ("(x10 Wh)", 10), ("[0.1 Wh]", 0.1), ("(Wh/10)", 0.1), ("(Wh x 100)", 100), ("daWh", 10),
        ("in hundredths of kWh", 10), ("[kJ]", 1 / 3.6), ("[mWh]", 0.001),
    ],
)  # fmt: skip
def test_factor_beside_the_unit_of_measure_counts_and_is_said(
    unit: str, times: float, tmp_path: Path
) -> None:
    def scaled(rows: Rows) -> Rows:
        heading = [cell.replace("(Wh)", unit) for cell in rows[0]]
        return [heading, *([row[0], *(f"{float(c) / times:.9f}" for c in row[1:])] for row in rows[1:])]

    path, truth = _changed(tmp_path, MAKE, scaled)
    ((_, proposal),), got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]
    assert any("values were multiplied by" in w for w in proposal.warnings)


def test_factor_that_the_ratings_do_not_bear_out_is_refused(tmp_path: Path) -> None:
    path, _ = written.write(MAKE, tmp_path)
    path.write_text(path.read_text().replace("(Wh)", "(x1000 Wh)"))
    ((_, proposal),) = proposals(path, known_of(MAKE), {})
    assert "the ratings on record do not bear it out" in str(proposal.refused)


def test_number_of_a_unit_is_no_factor(tmp_path: Path) -> None:
    path, _ = written.write(MAKE, tmp_path)
    path.write_text(path.read_text().replace("(Wh)", "inverter 10 Wh"))
    ((_, proposal),) = proposals(path, known_of(MAKE), {})
    assert not any("multiplied" in w for w in proposal.warnings)


# Columns beside, in the same measure


def _with_column(said: str, own: str, value: Callable[[float, int], float]) -> Callable[[Rows], Rows]:
    """Return what puts a column before that of each unit."""

    def change(rows: Rows) -> Rows:
        heads = [h.replace(" (Wh)", "") for h in rows[0][1:]]
        heading = [cell for h in heads for cell in (f"{h} {said} Wh".strip(), f"{h} {own} Wh".strip())]
        found = [[rows[0][0], *heading]]
        for at, row in enumerate(rows[1:]):
            cells = [c for x in row[1:] for c in (f"{value(float(x), at):.6f}", x)]
            found.append([row[0], *(re.sub(r"-0\.0+$", "0", c) for c in cells)])
        return found

    return change


def _drawn(wh: float, at: int) -> float:
    return 0.0 if wh > 1 else 0.2 + at % 3 / 10


@pytest.mark.parametrize(
    ("said", "own", "value"),
    [
        ("flow 1", "flow 2", _drawn),
        ("mean beside", "", lambda wh, at: wh * (0.8 + at % 5 / 10)),
        ("delta", "", lambda wh, at: wh * (0.2 if at % 2 else -0.2)),
        ("2025", "2026", lambda wh, at: wh * (0.5 + at % 5 / 10)),
        ("import", "export", lambda wh, at: wh * (0.5 + at % 5 / 10)),
        ("benchmark", "measured", lambda wh, at: wh * (0.5 + at % 5 / 10)),
        ("previous day", "this day", lambda wh, at: wh * (0.5 + at % 5 / 10)),
    ],
    ids=["by night", "of neighbours", "negative", "another year", "import", "benchmark", "previous"],
)
def test_column_that_cannot_be_what_was_made_is_left(
    said: str, own: str, value: Callable[[float, int], float], tmp_path: Path
) -> None:
    path, truth = _changed(tmp_path, MAKE, _with_column(said, own, value))
    _, got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]


def test_columns_that_nothing_tells_apart_are_asked_and_the_answer_counts(tmp_path: Path) -> None:
    path, truth = _changed(tmp_path, MAKE, _with_column("A", "B", lambda wh, at: wh * (0.5 + at % 5 / 10)))
    ((_, proposal),) = proposals(path, known_of(MAKE), {})
    (question,) = proposal.questions
    assert question.key == "units"
    assert "several columns of each unit have the same measure" in question.why
    told = {p.name: p.name.split()[0] if " B " in p.name else "-" for p in question.parts}
    answer = ",".join(f"{name}:{choice}" for name, choice in told.items())
    found = proposals(path, known_of(MAKE), {"units": answer})
    assert wrong(MAKE, truth, taken(found, known_of(MAKE))[0]) is None


def test_columns_that_say_the_same_are_not_asked(tmp_path: Path) -> None:
    path, truth = _changed(tmp_path, MAKE, _with_column("A", "B", lambda wh, _: wh))
    _, got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]


# What needs no question


def _text(path: Path, change: Callable[[str], str], encoding: str = "utf-8") -> None:
    path.write_bytes(change(path.read_text()).encode(encoding))


@pytest.mark.parametrize("decimal", [".", ","])
def test_ratings_tell_which_sign_stands_before_fractions(decimal: str, tmp_path: Path) -> None:
    make = Make("counter", quantity="counter_kwh", heading="Total {serial} kWh", label="end", decimal=decimal)
    path, _ = _changed(tmp_path, make, lambda rows: rows)
    rows = list(csv.reader(path.read_text().splitlines()))
    for row in rows[1:]:
        row[1:] = [f"{float(c.replace(',', '.')) + 100:.3f}".replace(".", decimal) for c in row[1:]]
    with path.open("w", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    ((_, proposal),) = proposals(path, known_of(make), {})
    assert not [q.key for q in proposal.questions]
    assert proposal.recipe is not None
    assert proposal.recipe.decimal == decimal


@pytest.mark.parametrize("sign", [" = ", ": ", ",", "\t", " - "])
def test_list_of_names_and_serials_below_a_table_is_one_of_units(sign: str, tmp_path: Path) -> None:
    make = Make("below", names="numbered")
    path, truth = written.write(make, tmp_path)
    listed = "\n".join(f"{name}{sign}{serial}" for serial, name in make.shown_names.items())
    _text(path, lambda text: f"{text}\nUnits:\n{listed}\n")
    _, got = _read(path, make)
    assert wrong(make, truth, got) is None  # type: ignore[arg-type]


def test_plane_row_and_column_that_are_one_units_alone_are_its_name(tmp_path: Path) -> None:
    make = Make("places", names="place", heading="South {serial} [Wh]")
    path, truth = written.write(make, tmp_path)
    ((_, proposal),), got = _read(path, make)
    assert wrong(make, truth, got) is None  # type: ignore[arg-type]
    assert any("the only unit at this place of its plane" in w for w in proposal.warnings)


@pytest.mark.parametrize(
    ("heading", "encoding"),
    [
        ("Interval \u00eenceput", "utf-8"), ("Po\u010detak intervala", "cp1250"), ("B\u1eaft \u0111\u1ea7u", "utf-8"),
        ("\u0648\u0642\u062a \u0627\u0644\u0628\u062f\u0621", "utf-8"),
        ("\u05d6\u05de\u05df \u05d4\u05ea\u05d7\u05dc\u05d4", "cp1255"),
        ("\u0388\u03bd\u03b1\u03c1\u03be\u03b7", "utf-8"),
    ],
)  # fmt: skip
def test_words_for_the_start_in_further_languages_and_letters(
    heading: str, encoding: str, tmp_path: Path
) -> None:
    make = Make("words", hours=(4, 18), time_heading="Start")
    path, truth = written.write(make, tmp_path)
    _text(path, lambda text: text.replace("Start", heading), encoding)
    _, got = _read(path, make)
    assert wrong(make, truth, got) is None  # type: ignore[arg-type]


def test_hour_and_minute_in_columns_beside_a_date(tmp_path: Path) -> None:
    def apart(rows: Rows) -> Rows:
        heading = ["Date", "Hour", "Minute", *rows[0][1:]]
        return [
            heading,
            *([r[0][:10], str(int(r[0][11:13])), str(int(r[0][14:16])), *r[1:]] for r in rows[1:]),
        ]

    path, truth = _changed(tmp_path, MAKE, apart)
    _, got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]


def test_headings_of_five_rows(tmp_path: Path) -> None:
    def stacked(rows: Rows) -> Rows:
        serials = [cell.split()[0] for cell in rows[0][1:]]
        names = [f"South {i}" for i in range(len(serials))]
        heads = [["Inverter", *names], ["Serial", *serials], ["Plane", *(["south"] * len(serials))]]
        return [*heads, ["Unit", *(["Wh"] * len(serials))], ["Interval start"], *rows[1:]]

    path, truth = _changed(tmp_path, MAKE, stacked)
    _, got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]


@pytest.mark.parametrize("title", ["Day {number}", "%A, %d. %B %Y", "Date: %A %Y-%m-%d"])
def test_title_of_a_day_above_a_block_names_no_unit(title: str, tmp_path: Path) -> None:
    def parted(rows: Rows) -> Rows:
        found = Rows()
        for number in range(1, len(rows), 96):
            at = datetime.fromisoformat(rows[number][0])
            shown = at.strftime(title.format(number=number // 96 + 1))
            day = rows[number : number + 96]
            bare = day if "Day" in title else [[r[0][11:16], *r[1:]] for r in day]
            found += [[shown], rows[0], *bare, []]
        return found

    path, truth = _changed(tmp_path, MAKE, parted)
    _, got = _read(path, MAKE)
    assert wrong(MAKE, truth, got) is None  # type: ignore[arg-type]


def test_powers_on_a_grid_of_which_most_are_missing_are_asked_about_their_interval(tmp_path: Path) -> None:
    dice = random.Random(3)  # noqa: S311 - invented gaps
    make = Make(
        "sparse", quantity="power_w", heading="{serial} mean W", time_heading="Interval start", days=7
    )
    path, _ = _changed(tmp_path, make, lambda rows: [r for r in rows if r == rows[0] or dice.random() > 0.66])
    ((_, proposal),) = proposals(path, known_of(make), {})
    assert [q.key for q in proposal.questions] == ["interval_min"]


def test_dates_that_a_spreadsheet_turned_are_refused(tmp_path: Path) -> None:
    def turned(rows: Rows) -> Rows:
        found = rows[:1]
        for row in rows[1:]:
            at = datetime.fromisoformat(row[0])
            found.append([at.strftime("%Y-%d-%m %H:%M:%S" if at.day <= 12 else "%d/%m/%Y %H:%M"), *row[1:]])
        return found

    make = Make("turned", first=date(2026, 6, 10), days=6)
    path, _ = _changed(tmp_path, make, turned)
    ((_, proposal),) = proposals(path, known_of(make), {})
    assert "were turned by a spreadsheet" in str(proposal.refused)
