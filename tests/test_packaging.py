"""The wheel holds all that runs, the dependencies are the ones used, and the pins belong to them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Mapping
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.imports import ROOT, imported, is_standard, modules

PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

NOT_IMPORTED = {
    "psycopg": "SQLAlchemy and huey load it by the database's address",
    "python-multipart": "FastAPI reads forms with it",
    "tzdata": "time zones where the system has none",
}
TOOLS = {"hatchling", "mypy", "pandas-stubs", "pytest-xdist", "ruff", "types-openpyxl"}
"""Run, and not imported."""
THROUGH_ANOTHER = {"starlette": "a part of FastAPI", "pydantic-core": "a part of pydantic"}


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="session")
def unpacked(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Unpack it far from the checkout."""
    folder = tmp_path_factory.mktemp("installed")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


def _files(folder: str) -> set[str]:
    found = (f.relative_to(ROOT).as_posix() for f in (ROOT / folder).rglob("*") if f.is_file())
    return {name for name in found if "__pycache__" not in name}


@pytest.mark.parametrize(
    ("folder", "place"),
    [("service", "service"), ("templates", "service/_templates"), ("migrations", "service/_migrations")],
)
def test_every_file_is_in_the_wheel(wheel: Path, folder: str, place: str) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    wanted = {place + name.removeprefix(folder) for name in _files(folder)}
    assert wanted, "nothing was checked"
    assert wanted - held == set()


def test_wheel_holds_nothing_else(wheel: Path) -> None:
    held = zipfile.ZipFile(wheel).namelist()
    assert [n for n in held if not n.startswith(("service/", "yieldproof-"))] == []
    assert [n for n in held if n.endswith((".sqlite", ".pyc", ".env"))] == []


SCRIPT = """
import sys
from pathlib import Path
import service
from service import paths
here = Path(sys.argv[1])
assert Path(service.__file__).is_relative_to(here), service.__file__
assert paths.templates_dir().is_relative_to(here) and any(paths.templates_dir().iterdir())
sys.argv[1:] = ["migrate"]
from service.cli import app
app()
"""


def test_unpacked_wheel_migrates_from_any_folder(unpacked: Path, tmp_path: Path) -> None:
    environment = {
        **os.environ,
        "PYTHONPATH": str(unpacked),
        "YIELDPROOF_DATABASE_URL": f"sqlite:///{tmp_path / 'new.sqlite'}",
    }
    ran = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(unpacked)],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert "is ready" in ran.stderr
    assert (tmp_path / "new.sqlite").exists()


def test_checkout_finds_its_own_folders() -> None:
    from service import paths  # noqa: PLC0415 - beside the test of the wheel

    assert paths.migrations_dir().joinpath("env.py").is_file()
    assert paths.templates_dir().is_dir()


# Dependencies


def _names(requirements: list[str]) -> set[str]:
    return {canonicalize_name(Requirement(r).name) for r in requirements}


@cache
def _known_distributions() -> Mapping[str, list[str]]:
    return packages_distributions()


@cache
def _imported_distributions(folder: str) -> frozenset[str]:
    known = _known_distributions()
    tops = {n.partition(".")[0] for m, tree in modules(folder) for n in imported(tree, m)}
    outside = {t for t in tops if not is_standard(t) and t not in ("service", "tests")}
    return frozenset(canonicalize_name(known[top][0]) for top in outside)


def test_declared_are_exactly_the_dependencies_that_the_service_uses() -> None:
    declared = _names(PROJECT["dependencies"])
    used = _imported_distributions("service") | _imported_distributions("migrations")
    assert used - declared - set(THROUGH_ANOTHER) == set(), "imported but not declared"
    assert declared - used - set(NOT_IMPORTED) == set(), "declared but not used"


def test_what_the_tests_use_is_declared() -> None:
    declared = _names(PROJECT["dependencies"]) | _names(PROJECT["optional-dependencies"]["test"])
    assert _imported_distributions("tests") - declared - set(THROUGH_ANOTHER) == set()


def test_declared_for_the_tests_is_what_they_use() -> None:
    declared = _names(PROJECT["optional-dependencies"]["test"])
    assert declared - _imported_distributions("tests") == TOOLS


def _pins() -> dict[str, Version]:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+==[0-9][A-Za-z0-9.]*", pin) for pin in pins)
    return {canonicalize_name(p.partition("==")[0]): Version(p.partition("==")[2]) for p in pins}


def test_pins_meet_the_lower_bounds() -> None:
    pins = _pins()
    for line in (*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]):
        requirement = Requirement(line)
        assert requirement.specifier.contains(pins[canonicalize_name(requirement.name)]), line
