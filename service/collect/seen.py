"""What a source that is tried has said, in one sentence for whoever wrote its configuration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.collect.status import counted
from service.collect.trouble import Trouble
from service.intake.live.model import Sample


def seen(found: Sequence[Sample], units: int | None = None, asked: Mapping[str, str] | None = None) -> str:
    """Return what came; Trouble if a kind of value that was `asked` for was not among it (with where it should be)."""
    if not found:
        raise Trouble(
            "It answers, but has no values; check addresses and types, or paths, against its manual."
        )
    first, count = found[0], len({sample.serial for sample in found}) if units is None else units
    came = (
        f"{counted(len(found), 'value')} of {counted(count, 'unit')}, such as {first.kind} {first.value:g} of "
        f"{first.serial}"
    )
    kinds = {sample.kind for sample in found}
    missing = [f"{kind} ({where})" for kind, where in (asked or {}).items() if kind not in kinds]
    if missing:
        raise Trouble(
            f"It has no {', '.join(missing)}: correct that, unless it has none at the moment. There were {came}."
        )
    return came
