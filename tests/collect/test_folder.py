"""A folder into which files fall: whole ones only, each content once, the files themselves left alone."""

from __future__ import annotations

from pathlib import Path
from threading import Event, Thread
from time import sleep
from typing import Any

import pytest

from service.collect.folder import Folder, _Look
from service.collect.trouble import Trouble
from tests.collect.device import Heard


def _folder(path: Path, **settings: Any) -> Folder:
    given = {"kind": "folder", "name": "drop", "path": path, "every_s": 1, "settle_s": 0, **settings}
    return Folder.model_validate(given)


def _looked(folder: Folder) -> tuple[Heard, _Look]:
    heard, at_once = Heard(), Event()
    look = _Look(folder, heard)
    look.settle(at_once)
    return heard, look


def test_a_file_is_taken_once_it_keeps_its_size(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("1")
    heard, look = _looked(_folder(tmp_path))
    (tmp_path / "a.csv").write_text("1;2")
    look()
    assert heard.files == [], "it still grew"
    look()
    look()
    assert heard.files == [("a.csv", b"1;2")]
    assert (tmp_path / "a.csv").read_text() == "1;2"
    (tmp_path / "a.csv").write_text("1;2;3")
    look()
    look()
    assert heard.files == [("a.csv", b"1;2"), ("a.csv", b"1;2;3")]


def test_only_what_is_asked_for_is_taken(tmp_path: Path) -> None:
    (tmp_path / "below").mkdir()
    for name in ("a.csv", "b.txt", ".a.csv", "empty.csv", "below/c.csv"):
        (tmp_path / name).write_text("" if "empty" in name else name)
    for subfolders, expected in ((False, ["a.csv"]), (True, ["a.csv", "c.csv"])):
        heard, look = _looked(_folder(tmp_path, pattern="*.csv", subfolders=subfolders))
        look()
        assert [name for name, _ in heard.files] == expected


def test_a_folder_that_is_not_there_is_told_and_looked_for_again(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "share")
    heard, look = _looked(folder)
    with pytest.raises(Trouble, match="correct the path or mount it"):
        look()
    (tmp_path / "share").mkdir()
    (tmp_path / "share" / "a.csv").write_text("1")
    look()
    look()
    assert heard.files == [("a.csv", b"1")]


def test_one_file_that_cannot_be_kept_does_not_stop_the_others(tmp_path: Path) -> None:
    class Full(Heard):
        def file(self, source: str, path: Path) -> None:
            if path.name == "a.csv":
                raise Trouble("a.csv is too large.")
            super().file(source, path)

    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text(name)
    heard = Full()
    look = _Look(_folder(tmp_path), heard)
    look.settle(Event())
    with pytest.raises(Trouble, match=r"^a\.csv is too large\.$"):
        look()
    assert heard.files == [("b.csv", b"b.csv")]


def test_it_runs_until_told_to_stop(tmp_path: Path) -> None:
    heard, stop = Heard(), Event()
    thread = Thread(target=_folder(tmp_path).run, args=(heard, stop))
    thread.start()
    (tmp_path / "a.csv").write_text("1")
    for _ in range(100):
        if heard.files:
            break
        sleep(0.05)
    stop.set()
    thread.join(3)
    assert not thread.is_alive()
    assert heard.files == [("a.csv", b"1")]


def test_probing_counts_the_files(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("1")
    assert _folder(tmp_path).probe() == "1 file of the pattern *"
