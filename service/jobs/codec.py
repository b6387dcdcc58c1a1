"""A verification as JSON and back without loss, curves included: the form in which it is kept.

Not the HTTP contract's form, which is `Verification.as_contract`.
"""

from __future__ import annotations

from pydantic import TypeAdapter

from service.verify.result import Verification

_ADAPTER = TypeAdapter(Verification)


def to_json(verification: Verification) -> bytes:
    """Return the verification as JSON."""
    return _ADAPTER.dump_json(verification)


def from_json(data: bytes) -> Verification:
    """Return the verification that `to_json` wrote."""
    return _ADAPTER.validate_json(data)
