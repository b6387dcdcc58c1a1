"""How many mixtures of the corpus come in right: `python -m tests.intake.export.score [HOW_MANY] [FIRST_SEED]`.

Prints the share that is right without a hand, right after true answers to what is asked, and wrong: with a warning,
and without, which must be none. `--makes` judges the named makes instead, `--notes` lists what is not right.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from tests.intake.export import written
from tests.intake.export.corpus import MAKES, Make, answers_of
from tests.intake.export.judged import Judged, judged
from tests.intake.export.mixtures import mixture


def outcome(make: Make, folder: Path) -> tuple[str, Judged]:
    """Return in a word what became of a make."""
    path, truth = written.write(make, folder)
    found = judged(path, make, truth)
    path.unlink()
    if found.wrong is None:
        return ("asked, right" if found.asked else "right without a hand"), found
    if found.wrong.startswith("refused"):
        return "refused", found
    if found.asked:
        return ("asked, wrong, warned" if found.warnings else "asked, wrong, silent"), found
    return ("wrong, warned" if found.warnings else "wrong, silent"), found


def corrected(make: Make, folder: Path) -> bool:
    """Return whether a make that came in wrong is right after its owner said what is true."""
    path, truth = written.write(make, folder)
    right = (
        judged(path, make, truth, {k: v for k, v in answers_of(make).items() if k != "units"}).wrong is None
    )
    path.unlink()
    return right


def score(makes: Iterable[Make], *, notes: bool) -> Counter[str]:
    """Judge makes, print what became of them, and return how many of each outcome there were."""
    counts, keys, likely = Counter[str](), Counter[str](), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for make in makes:
            what, found = outcome(make, folder)
            counts[what] += 1
            keys.update(found.asked)
            if "wrong" in what:
                counts["of them right after one correction"] += corrected(make, folder)
            if notes and found.wrong:
                print(
                    f"{make.name}: {what}: {found.wrong} | asked {sorted(found.asked)} | {found.warnings[:3]}"
                )
    total = counts.total() - counts["of them right after one correction"]
    for what, count in sorted(counts.items()):
        print(f"{what:38} {count:6} {100 * count / total:6.2f} %")
    print("asked:", dict(keys), dict(likely) or "")
    return counts


def main(words: list[str]) -> None:
    """Judge as the command line says."""
    numbers = [int(w) for w in words if w.isdecimal()] + [300, 0][len([w for w in words if w.isdecimal()]) :]
    makes = (
        MAKES
        if "--makes" in words
        else (mixture(seed) for seed in range(numbers[1], numbers[1] + numbers[0]))
    )
    counts = score(makes, notes="--notes" in words)
    sys.exit(any("silent" in what for what in counts))


if __name__ == "__main__":
    main(sys.argv[1:])
