"""A verification as JSON and back without loss, curves included: the form in which it is kept.

Not the HTTP contract's form, which is `Verification.as_contract`. Beside the texts stand the parts that its sentences
are made of, by their English text; what was kept without them comes back as plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any

from pydantic import TypeAdapter

from service.verify.result import Finding, Verification
from service.verify.sentence import Part, Sentence


@dataclass(frozen=True)
class _Kept(Verification):
    sentences: dict[str, tuple[Part, ...]] = field(default_factory=dict)


_ADAPTER = TypeAdapter(_Kept)
_NAMES = [one.name for one in fields(Verification)]


def to_json(verification: Verification) -> bytes:
    """Return the verification as JSON."""
    parts = {str(text): text.parts for text in _texts(verification) if isinstance(text, Sentence)}
    return _ADAPTER.dump_json(_Kept(**_fields(verification), sentences=parts))


def from_json(data: bytes) -> Verification:
    """Return the verification that `to_json` wrote."""
    kept = _ADAPTER.validate_json(data)

    def said(value: Any) -> Any:
        parts = kept.sentences.get(value) if isinstance(value, str) else None
        return Sentence(parts) if parts else value

    found = Verification(**_fields(kept))
    return replace(
        found,
        findings=tuple(_with_sentences(finding, said) for finding in found.findings),
        not_yet=tuple(replace(entry, missing=said(entry.missing)) for entry in found.not_yet),
    )


_PARTS = TypeAdapter(tuple[Part, ...])


def parts_of(text: str) -> Any:
    """Return the parts of a sentence as JSON, to be kept beside its text; None for a plain text."""
    return _PARTS.dump_python(text.parts, mode="json") if isinstance(text, Sentence) else None


def sentence_of(text: str, parts: Any) -> str:
    """Return the sentence of a text and the parts that `parts_of` gave; the text itself where there are none."""
    return Sentence(_PARTS.validate_python(parts)) if parts else text


def _fields(verification: Verification) -> dict[str, Any]:
    return {name: getattr(verification, name) for name in _NAMES}


def _texts(verification: Verification) -> Iterator[Any]:
    for finding in verification.findings:
        yield from (finding.evidence, finding.advice, *finding.details.values())
    yield from (entry.missing for entry in verification.not_yet)


def _with_sentences(finding: Finding, said: Callable[[Any], Any]) -> Finding:
    details = {name: said(value) for name, value in finding.details.items()}
    return replace(finding, evidence=said(finding.evidence), advice=said(finding.advice), details=details)
