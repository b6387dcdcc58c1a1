"""Sites kept between runs in the user's temporary folder, by the digest of the code that made them."""

from __future__ import annotations

import getpass
import gzip
import hashlib
import pickle
import tempfile
from functools import cache
from pathlib import Path

from tests.bench.fleet.build import make
from tests.bench.fleet.plan import Plan
from tests.bench.fleet.truth import BenchSite

MADE_FROM = (
    "tests/fleet/*.py",
    "tests/fleet/data/*.parquet",
    "tests/bench/fleet/*.py",
    "service/expect/site.py",
    "service/verify/inputs.py",
)
NOT_MADE_FROM = frozenset(
    {
        *("__main__.py", "__init__.py", "shelf.py", "score.py", "report.py"),
        *("bound.py", "half_hour.py", "sensors.py", "reasons.py"),
    }
)


@cache
def _shelf() -> Path:
    root = Path(__file__).parents[3]
    files = sorted(p for pattern in MADE_FROM for p in root.glob(pattern) if _makes(p.name))
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:16]
    shelf = Path(tempfile.gettempdir()) / f"yieldproof-fleet-bench-{getpass.getuser()}" / digest
    shelf.mkdir(parents=True, exist_ok=True, mode=0o700)
    return shelf


def _makes(name: str) -> bool:
    """Return whether a site depends on that file."""
    return name not in NOT_MADE_FROM and not name.startswith("test_")


def kept(plan: Plan) -> BenchSite:
    """Return the planned site, from the shelf or made and put there."""
    path = _shelf() / f"{plan.seed}-{plan.window}.pickle.gz"
    if path.exists():
        found: BenchSite = pickle.loads(gzip.decompress(path.read_bytes()))  # noqa: S301  (our own folder)
        return found
    made = make(plan)
    unfinished = path.with_suffix(".part")
    unfinished.write_bytes(gzip.compress(pickle.dumps(made), 1))
    unfinished.rename(path)
    return made
