"""Papers: a Typst template and plain values to a PDF.

The values go in as data and are never read as markup. What a paper says is put together elsewhere; here it is only set.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal

import typst

from service.paths import templates_dir
from service.report.language import current_locale

Size = Literal["a4", "us-letter"]
SIZES: tuple[Size, ...] = ("a4", "us-letter")


def pdf(template: str, values: Mapping[str, Any], *, size: Size = "a4") -> bytes:
    """Return the paper as PDF; `values` hold what JSON can."""
    return _set(template, values, size, format="pdf")


def picture(
    template: str, values: Mapping[str, Any], *, size: Size = "a4", dots_per_inch: int = 150
) -> bytes:
    """Return the paper's only page as PNG; typst.TypstError if there are more."""
    return _set(template, values, size, format="png", ppi=dots_per_inch)


def _set(template: str, values: Mapping[str, Any], size: Size, **form: Any) -> bytes:
    folder = templates_dir()
    inputs = {"values": json.dumps(values), "size": size, "language": current_locale().language}
    made = typst.compile(folder / template, root=folder, sys_inputs=inputs, **form)
    if not isinstance(made, bytes):
        raise ValueError(f"{template} has more than one page; ask for a PDF instead.")
    return made
