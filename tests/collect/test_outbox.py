"""The outbox: locked, bounded, whole after damage, patient with what comes late, and cleared only when it may be."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.collect import disk, outbox
from service.collect.clock import MARK, Clock, Compared, on_s
from service.collect.disk import OutboxError
from service.collect.laying import Laying
from service.collect.layout import Layout
from service.collect.outbox import DAY_S, KEEP_DAYS, Outbox
from service.collect.trouble import Trouble
from service.intake.live.model import Sample
from tests.collect.disturbed import MORNING, heard_at

LAYING = Laying({}, Layout(5))
LATER = MORNING + timedelta(hours=9)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "new folder" / "outbox.sqlite"


@pytest.fixture
def held(path: Path) -> Iterator[Outbox]:
    with disk.alone(path):
        made = outbox.opened(path, 100, "session", Clock())
        yield made
        made.close()


def _day(minutes: int = 240, step_s: int = 60) -> list[Sample]:
    moments = (MORNING + timedelta(seconds=s) for s in range(0, minutes * 60, step_s))
    return [s for at in moments for s in heard_at(at)]


def _readings(box: Outbox) -> dict[tuple[str, int, str], float]:
    return {(r.serial, r.start, r.channel): r.value for r in box.due(100_000, newest_first=False)}


def test_a_second_collector_is_refused(path: Path, held: Outbox) -> None:  # noqa: ARG001 - it holds the lock
    with pytest.raises(OutboxError, match=r"runs on .* already"), disk.alone(path):
        pass
    assert disk.is_held(path)


def test_it_is_free_again_afterwards(path: Path) -> None:
    with disk.alone(path):
        pass
    assert not disk.is_held(path)
    with disk.alone(path):
        assert disk.is_held(path)


@pytest.mark.parametrize("late", [0, 77, 120, 239])
def test_a_sample_that_comes_late_changes_what_it_would_have_changed_in_time(
    held: Outbox, tmp_path: Path, late: int
) -> None:
    samples = _day()
    missing = [s for s in samples if s.at == MORNING + timedelta(minutes=late)]
    in_time = outbox.opened(tmp_path / "other.sqlite", 100, "session", Clock())
    in_time.samples("hub", samples)
    in_time.lay(LAYING, LATER)
    held.samples("hub", [s for s in samples if s not in missing])
    held.lay(LAYING, LATER)
    held.sent(held.due(100_000, newest_first=True))
    everything = _readings(in_time)
    before = dict(everything)
    held.samples("hub", missing)
    held.lay(LAYING, LATER)
    changed = _readings(held)
    assert changed
    rows = held._read("SELECT serial, start, channel, value FROM reading", ())
    assert {(serial, start, channel): value for serial, start, channel, value in rows} == pytest.approx(
        before
    )
    assert len(changed) < 12, "what does not change is not sent again"
    in_time.close()


def test_a_corrected_value_is_sent_again(held: Outbox) -> None:
    held.samples("hub", [Sample("101", "energy_wh", MORNING, 9.0)])
    held.lay(LAYING, LATER)
    held.sent(held.due(10, newest_first=True))
    held.samples("hub", [Sample("101", "energy_wh", MORNING, 9.0)])
    held.lay(LAYING, LATER)
    assert _readings(held) == {}
    held.samples("hub", [Sample("101", "energy_wh", MORNING, 8.0)])
    held.lay(LAYING, LATER)
    assert _readings(held) == {("101", int(MORNING.timestamp()), "energy_wh"): 8.0}


def test_an_interval_is_made_when_it_is_over_even_if_nothing_comes_after_it(held: Outbox) -> None:
    held.samples("hub", _day(minutes=7))
    laying = Laying({}, Layout(5))
    held.lay(laying, laying.until(MORNING + timedelta(minutes=8)))
    assert {start for _, start, _ in _readings(held)} == {int(MORNING.timestamp())}
    held.lay(laying, laying.until(MORNING + timedelta(minutes=13)))
    powers = {start for _, start, channel in _readings(held) if channel == "energy_wh"}
    assert max(powers) == MORNING.timestamp() + 300


def test_sources_of_several_intervals_and_labels_are_laid_by_their_own(held: Outbox) -> None:
    laying = Laying({"meter": Layout(15, label="end"), "hub": Layout(5)}, Layout(5))
    noon = MORNING + timedelta(hours=4)
    held.samples("meter", [Sample("101", "energy_wh", noon, 40.0)])
    held.samples("hub", [Sample("102", "power_w", noon + timedelta(minutes=m), 120.0) for m in range(11)])
    held.lay(laying, laying.until(noon + timedelta(hours=1)))
    found = {(r.serial, r.interval_min, r.start): r.value for r in held.due(100, newest_first=True)} | {
        (r.serial, r.interval_min, r.start): r.value for r in held.due(100, newest_first=False)
    }
    start = int(noon.timestamp())
    assert found == {
        ("101", 15, start - 900): 40.0, ("102", 5, start): 120.0, ("102", 5, start + 300): 120.0,
    }  # fmt: skip


def test_of_two_sources_for_one_unit_the_first_of_the_configuration_counts(held: Outbox) -> None:
    laying = Laying({"hub": Layout(5), "gateway": Layout(5)}, Layout(5))
    for minute in range(0, 46, 5):
        at = MORNING + timedelta(minutes=minute)
        held.samples(
            "gateway", [Sample("101", "counter_wh", at + timedelta(seconds=20), 90_000.0 + 2 * minute)]
        )
        if minute <= 20:
            held.samples("hub", [Sample("101", "counter_wh", at, 5_000.0 + minute)])
    held.lay(laying, LATER)
    found = {(start - MORNING.timestamp()) / 60: value for (_, start, _), value in _readings(held).items()}
    assert found == pytest.approx(
        {**dict.fromkeys((0, 5, 10, 15), 5.0), **dict.fromkeys((20, 25, 30, 35, 40), 10.0)}
    )
    told = held._read("SELECT at, reason FROM aside ORDER BY at", ())
    assert [(at - MORNING.timestamp() * 1e6) / 60e6 for at, _ in told] == [5, 10, 15]
    assert told[0][1].startswith("“hub” says 5 and “gateway” 10 of energy_wh; the one that stands first")


def test_two_sources_that_agree_and_one_that_was_renamed_are_nothing_to_tell(held: Outbox) -> None:
    laying = Laying({"hub": Layout(5), "gateway": Layout(5)}, Layout(5))
    for minute in range(0, 46, 5):
        at = MORNING + timedelta(minutes=minute)
        for source in ("gateway", "hub") if minute > 20 else ("hub of yesterday",):
            held.samples(source, [Sample("101", "counter_wh", at, 5_000.0 + minute)])
    held.lay(laying, LATER)
    assert list(_readings(held).values()) == pytest.approx([5.0] * 9)
    assert held._read("SELECT * FROM aside", ()) == []


def test_a_counter_that_was_silent_too_long_is_kept_aside_but_not_every_night(held: Outbox) -> None:
    night, noon = MORNING - timedelta(hours=10), MORNING + timedelta(hours=4)
    held.samples("hub", [Sample("101", "counter_wh", at, 5000.0) for at in (night, MORNING)])
    held.samples("hub", [Sample("101", "counter_wh", noon, 5700.0)])
    held.lay(LAYING, LATER)
    ((serial, reason),) = held._read("SELECT serial, reason FROM aside", ())
    assert serial == "101"
    assert "silent for 4.0 h" in reason
    assert "700 Wh" in reason


def test_a_damaged_outbox_is_set_aside_and_said(path: Path, tmp_path: Path) -> None:
    box = outbox.opened(tmp_path / "o.sqlite", 100, "session", Clock())
    box.samples("hub", _day())
    box.close()
    file = tmp_path / "o.sqlite"
    content = bytearray(file.read_bytes())
    content[8192:40_000] = b"\x5a" * (40_000 - 8192)
    file.write_bytes(bytes(content))
    again = outbox.opened(file, 100, "session", Clock())
    said = again.fact("set_aside")
    (aside,) = tmp_path.glob("o.sqlite.damaged-*")
    assert str(aside) in said
    assert aside.read_bytes() == bytes(content)
    again.samples("hub", _day())
    again.close()
    assert path.parent.exists() is False


@pytest.mark.parametrize("content", [b"no database at all" * 100, b""])
def test_what_is_no_outbox_is_set_aside_or_used(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "o.sqlite"
    file.write_bytes(content)
    box = outbox.opened(file, 100, "session", Clock())
    assert (box.fact("set_aside") is not None) == bool(content)
    box.close()


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "o.sqlite"
    other = sqlite3.connect(file)
    other.execute("CREATE TABLE theirs (x)")
    other.commit()
    other.close()
    with pytest.raises(OutboxError, match="another program's file"):
        outbox.opened(file, 100, "session", Clock())


def test_an_outbox_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "o.sqlite"
    outbox.opened(file, 100, "session", Clock()).close()
    later = sqlite3.connect(file)
    later.execute("PRAGMA user_version = 99")
    later.close()
    with pytest.raises(OutboxError, match="another version"):
        outbox.opened(file, 100, "session", Clock())


def test_an_outbox_of_the_version_before_goes_on(tmp_path: Path) -> None:
    file = tmp_path / "o.sqlite"
    outbox.opened(file, 100, "session", Clock()).close()
    before = sqlite3.connect(file)
    before.executescript(
        "ALTER TABLE aside DROP COLUMN due; PRAGMA user_version = 1;"
        "INSERT INTO aside VALUES ('101', 'counter_wh', 1, 'x')"
    )
    before.close()
    held = outbox.opened(file, 100, "session", Clock())
    assert held._read("SELECT * FROM aside", ()) == [("101", "counter_wh", 1, "x", 0)]
    assert held.asides_due(10) == []
    held.close()


def test_a_full_disk_is_trouble_and_passes(held: Outbox) -> None:
    held.samples("hub", _day(minutes=10))
    (pages,) = held._read("PRAGMA page_count", ())[0]
    held._db.execute(f"PRAGMA max_page_count={pages + 1}")
    more = [Sample("x" * 60, "power_w", MORNING + timedelta(seconds=s), 1.0) for s in range(3000)]
    with pytest.raises(Trouble, match=r"database or disk is full.*make room"):
        held.samples("hub", more)
    assert held._read("SELECT count(*) FROM sample", ())[0][0] > 20, "what it holds is still there"
    assert held._read("SELECT count(*) FROM sample WHERE serial LIKE 'x%'", ()) == [(0,)]
    held._db.execute("PRAGMA max_page_count=100000")
    held.samples("hub", more)
    assert held._read("SELECT count(*) FROM sample WHERE serial LIKE 'x%'", ()) == [(3000,)]


def test_the_largest_size_stops_reading_and_not_sending(tmp_path: Path) -> None:
    connection, _ = disk.opened(tmp_path / "o.sqlite", 1)
    box = Outbox(connection, 1, Clock(), "session")
    with pytest.raises(Trouble, match=r"1 MB that are not sent.*raise largest_mb"):
        _fill(box)
    box.lay(LAYING, LATER + timedelta(days=1))
    due = box.due(100_000, newest_first=True)
    assert len(due) > 100
    box.sent(due)
    box.clear(0)
    box.clear((KEEP_DAYS + 1) * DAY_S)
    box.samples("hub", _day(minutes=10))
    box.close()


def _fill(box: Outbox) -> None:
    for n in range(100):
        box.samples("hub", [Sample(f"{s.serial}/{n}", s.kind, s.at, s.value) for s in _day(minutes=600)])


def test_a_day_is_cleared_when_it_has_rested_and_not_before(held: Outbox) -> None:
    now = int(LATER.timestamp())
    held.samples("hub", _day(minutes=600))
    held.lay(LAYING, LATER + timedelta(days=1))
    held.clear(now)
    held.clear(now + (KEEP_DAYS + 1) * DAY_S)
    assert held._read("SELECT count(*) FROM reading WHERE state = 'due'", ())[0][0] > 100, (
        "it is not sent yet"
    )
    held.sent(held.due(100_000, newest_first=True))
    held.clear(now + KEEP_DAYS * DAY_S - 1)
    assert held._read("SELECT count(*) FROM reading", ())[0][0] > 100, "it may still change"
    held.clear(now + (KEEP_DAYS + 1) * DAY_S)
    assert held._read("SELECT count(*) FROM reading", ()) == [(0,)]
    assert held._read("SELECT count(*) FROM sample WHERE at BETWEEN ? AND ?", _middle()) == [(0,)]
    held.samples("hub", heard_at(MORNING + timedelta(minutes=5)))
    held.lay(LAYING, LATER)
    assert held.fact("late") == 3
    assert _readings(held) == {}, "what was sent of that day stays as it is"


def _middle() -> tuple[int, int]:
    midnight = MORNING.replace(hour=0)
    return tuple(outbox.microseconds(midnight + timedelta(hours=h)) for h in (4, 20))  # type: ignore[return-value]


@pytest.mark.parametrize("late_s", [20, -20])
def test_days_beside_a_cleared_one_are_still_made_of_whole_samples(held: Outbox, late_s: int) -> None:
    midnight = MORNING.replace(hour=0) + timedelta(days=1)
    around = [Sample("101", "power_w", midnight + timedelta(minutes=m + 0.5), 100) for m in range(-180, 180)]
    held.samples("hub", around)
    held.lay(LAYING, midnight + timedelta(days=2))
    whole = _readings(held)
    held.sent(held.due(100_000, newest_first=True))
    held.clear(1000)
    late = midnight + timedelta(seconds=late_s)
    held._db.execute("UPDATE unit_day SET rested_since = NULL WHERE day = ?", (late.timestamp() // DAY_S,))
    held.clear(1000 + (KEEP_DAYS + 1) * DAY_S)
    held.samples("hub", [Sample("101", "power_w", late, 101)])
    held.lay(LAYING, midnight + timedelta(days=2))
    ((key, value),) = _readings(held).items()
    # A watt at 20 of the 30 s beside midnight: (0.6 + 1) / 2 of it for 20 s and a half for 10 s, of 300 s.
    assert value == pytest.approx(whole[key] + 21 / 300, abs=1e-4)


def test_values_that_come_before_the_time_is_known_are_dated_once_it_is(held: Outbox) -> None:
    clock = held._clock
    clock.doubt(None)
    minute_ago = MARK + timedelta(seconds=on_s() - 60)
    held.samples("hub", [Sample("101", "power_w", minute_ago, 150.0), Sample("101", "power_w", MORNING, 1.0)])
    held.date_held()
    assert held._read("SELECT count(*) FROM held", ()) == [(1,)]
    assert held._read("SELECT at FROM sample", ()) == [(outbox.microseconds(MORNING),)], (
        "its own time is left alone"
    )
    true = datetime(2026, 6, 14, 12, tzinfo=UTC)
    clock.compared = Compared(ahead_s=-56 * 365 * 86_400.0, error_s=0.5, on_s=on_s(), at=true)
    held.date_held()
    assert held._read("SELECT count(*) FROM held", ()) == [(0,)]
    (at,) = next(iter(held._read("SELECT at FROM sample WHERE value = 150", ())))
    assert abs(outbox.moment(at) - (true - timedelta(seconds=60))) < timedelta(seconds=1)


def test_values_of_a_time_that_will_never_be_known_are_kept(held: Outbox, path: Path) -> None:
    held._clock.doubt(None)
    held.samples("hub", [Sample("101", "power_w", MARK + timedelta(seconds=5), 150.0)])
    held.close()
    later = outbox.opened(path, 100, "another session", Clock())
    later.date_held()
    assert later._read("SELECT count(*) FROM held", ()) == [(1,)]
    assert later._read("SELECT count(*) FROM sample", ()) == [(0,)]


@pytest.mark.parametrize("wrong", [float("nan"), float("inf")])
def test_what_is_no_number_was_not_heard(held: Outbox, wrong: float) -> None:
    held.samples("hub", [Sample("101", "power_w", MORNING, wrong)])
    assert held._read("SELECT count(*) FROM sample", ()) == [(0,)]


def test_a_file_is_kept_once_by_its_content(held: Outbox, tmp_path: Path) -> None:
    one, same, other = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    for file, text in ((one, "1;2"), (same, "1;2"), (other, "3")):
        file.write_text(text)
        held.file("drop", file)
    waiting = list(held.files_due(lambda _: "", {}))
    assert [f.name for f in waiting] == ["a.csv", "c.csv"]
    assert [held.body(f) for f in waiting] == [b"1;2", b"3"]
    with pytest.raises(Trouble, match=r"gone\.csv cannot be read"):
        held.file("drop", tmp_path / "gone.csv")


def test_answers_are_noted_seldom_and_troubles_at_once(held: Outbox) -> None:
    commits = _commits(held)
    for _ in range(50):
        held.heard("hub")
    assert commits() == 1
    for _ in range(3):
        held.trouble("hub", "It does not answer.")
    assert commits() == 2
    held.heard("hub")
    assert commits() == 3
    assert held._read("SELECT trouble FROM source", ()) == [(None,)]


def _commits(box: Outbox) -> Callable[[], int]:
    said: list[str] = []
    box._db.set_trace_callback(said.append)
    return lambda: said.count("COMMIT")
