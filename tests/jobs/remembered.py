"""The judgement, made once of the same inputs: it is a pure function, and many tests send in the same roof."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from typing import Any

import pytest

from service.jobs import verification
from service.verify.result import Verification

MOST_KEPT = 200


@pytest.fixture(autouse=True, scope="session")
def _what_was_judged_is_remembered() -> Iterator[None]:
    judge, kept = verification.verify, dict[bytes, Verification]()

    def remembered(*inputs: Any) -> Verification:
        key = pickle.dumps(inputs)
        if key not in kept:
            if len(kept) == MOST_KEPT:
                kept.clear()
            kept[key] = judge(*inputs)
        return kept[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verification, "verify", remembered)
        yield
