"""The usual cautions for work on the roof and at the mains, worded once for pages and papers."""

from __future__ import annotations

import re

from service.report.language import gettext as _


def cautions(*, on_roof: bool, on_mains: bool) -> list[str]:
    """Return what to heed, the dangerous part of each in <strong>."""
    said = []
    if on_mains:
        said += [
            _(
                "<strong>Isolate the AC branch circuit</strong>, lock it off and prove it dead before you open a "
                "connector. Never pull one under load."
            ),
            _("<strong>A module in light is live</strong> on its DC side, with the AC off too."),
        ]
    if on_roof:
        said.append(
            _("<strong>Fall protection</strong> for every step on the roof; not in wind, rain, ice or alone.")
        )
    if on_mains:
        said.append(_("Work on the mains is for a <strong>licensed electrician</strong>."))
    return [*said, _("Local codes and the makers\u2019 instructions come before this page.")]


def in_parts(caution: str) -> list[dict[str, str | bool]]:
    """Return a caution in pieces, each with whether it is strong, for what reads no HTML."""
    pieces = re.split(r"<strong>(.*?)</strong>", caution)
    return [{"text": text, "strong": i % 2 == 1} for i, text in enumerate(pieces) if text]
