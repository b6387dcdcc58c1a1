"""Every make of file is read right without a hand, or asks; and after true answers it is read right."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from service.intake.export.label import said_label
from service.intake.export.naming import stem
from tests.intake.export import written
from tests.intake.export.corpus import MAKES, Make
from tests.intake.export.judged import Judged, judged, known_of, proposals
from tests.intake.export.mixtures import mixture


@pytest.mark.parametrize("make", MAKES, ids=lambda m: m.name)
def test_file_is_right_once_its_questions_are_answered_truly(make: Make, tmp_path: Path) -> None:
    found = _judged(make, tmp_path)
    assert found.wrong is None
    assert found.rejected <= 5
    assert found.asked == ASKED.get(make.name, {}).keys()


@pytest.mark.parametrize("seed", range(20))
def test_files_of_any_mixture_are_right_once_their_questions_are_answered_truly(
    seed: int, tmp_path: Path
) -> None:
    found = _judged(mixture(seed), tmp_path)
    assert found.wrong is None


_INSTANTS = (
    "a counter from 00:00 to 23:45: moments of a meter, or the last value in each interval by its start; "
    "by the light one is likelier, but real roofs with an azimuth 5 degrees off showed the other as well"
)
_BRIGHT = "rows of the bright hours only: a quarter of an hour and ten degrees of azimuth look alike"
_THOUSAND = "as one quantity and as another the values are such as inverters give, and no word says which"
_CONTRARY = (
    "word and unit of the heading contradict each other, and the values may be of either: a factor of 4"
)
_NAMES = "names that are nobody's serial: their order proves nothing"
_DASHED = (
    "dashes by night and by day, and no zero: a unit may have made nothing by day, or its value may be lost"
)
_PLACES = "rows and columns may be counted from either side: they are proposed, not taken"
ASKED = {
    "english_thousands": {"label": _INSTANTS},
    "autumn_change_counter": {"label": _INSTANTS},
    "counter_unsaid": {"label": _INSTANTS},
    "nights_left_out": {"label": _BRIGHT},
    "kwh_unsaid": {"quantity": _THOUSAND},
    "energy_said_w": {"quantity": _CONTRARY},
    "nights_dashed_and_gaps": {"dash": _DASHED},
    "blocks_numbered": {"units": _NAMES},
    "sheets_numbered": {"units": _NAMES},
    "numbered": {"units": _NAMES},
    "numbered_long": {"units": _NAMES},
    "lettered": {"units": _NAMES},
    "named_by_roof": {"units": _NAMES},
    "named_by_place": {"units": _PLACES},
}
"""What must be asked of which make, and why neither the file nor the record can tell; of every other nothing is."""


def _judged(make: Make, folder: Path) -> Judged:
    path, truth = written.write(make, folder)
    return judged(path, make, truth)


@pytest.mark.parametrize(
    ("words", "label"),
    [
        ("Times are the beginning of each interval", "start"),
        ("Heures : d\u00e9but de chaque intervalle", "start"),
        ("\u010cas ozna\u010duje za\u010d\u00e1tek intervalu", "start"),
        ("Az id\u0151pont az id\u0151szak v\u00e9g\u00e9t jel\u00f6li", "end"),
        ("Tiden anger intervallets slut", "end"),
        ("each value at the end of its hour", "end"),
        ("End of report. 15 min interval data", None),
        ("Each time is the end of its 15-minute interval.", "end"),
        ("Times: end of the interval (15 min)", "end"),
        ("Report of the period ending 30 June 2026", None),
        ("Beginn des Zeitraums: 01.06.2026", None),
        ("Start of the period: 2026-06-01", None),
        ("Anfang Mai bis Ende Juni, Stunden", None),
    ],
)
def test_sentences_say_which_end_of_an_interval_a_time_is(words: str, label: str | None) -> None:
    said = said_label("", words, has_end_column=False, is_counter=False)
    assert (said.value if said else None) == label


@pytest.mark.parametrize(
    ("heading", "label"),
    [
        ("In\u00edcio do intervalo", "start"),
        ("Fim da hora", "end"),
        ("Do", "end"),
        ("Dal", "start"),
        ("Data do dia", None),
    ],
)
def test_small_words_say_an_end_only_where_they_begin_a_heading(heading: str, label: str | None) -> None:
    said = said_label(heading, "", has_end_column=False, is_counter=False)
    assert (said.value if said else None) == label


@pytest.mark.parametrize(
    ("heading", "name"),
    [
        ("Modul A [W]", "Modul A"),
        ("Module E W", "Module E"),
        ("Roof 2 P (W)", "Roof 2"),
        ("Roof 2 A", "Roof 2"),
    ],
)
def test_a_letter_is_a_name_where_the_unit_of_measure_is_said_besides(heading: str, name: str) -> None:
    assert stem(heading) == name


def test_most_makes_come_in_without_a_hand() -> None:
    assert len(ASKED) <= 0.1 * len(MAKES)


def test_what_is_asked_has_a_wording_for_people(tmp_path: Path) -> None:
    make = Make(
        "asked", names="numbered", time="%d/%m/%Y %H:%M", first=date(2026, 6, 3), days=1, hours=(9, 12)
    )
    path, _ = written.write(make, tmp_path)
    questions = proposals(path, known_of(make), {})[0][1].questions
    assert {"units", "day_first", "label", "timezone"} <= {q.key for q in questions}
    for question in questions:
        assert question.text.endswith("?")
        assert question.why
        assert len(question.labels) == len(question.choices)
        assert all(question.labels)
