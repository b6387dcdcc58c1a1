"""Charts as PNG, for a letter or a form that takes no SVG: the same SVG text at twice its size, if not too large.

The fonts lie beside this file, so that a bare server draws words too, and the same ones everywhere.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import resvg_py

FONTS = Path(__file__).parent / "fonts"
FAMILY = "DejaVu Sans"
FILES = [str(FONTS / name) for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")]
ZOOM = 2.0
MOST_PIXELS = 16_000_000
"""A larger drawing, as the plan of a field with thousands of units, is drawn smaller: each pixel takes four bytes."""

SIZE = re.compile(r'<svg [^>]*?width="(\d+)" height="(\d+)"')


def zoom(svg: str) -> float:
    """Return how many pixels a unit of the drawing takes."""
    found = SIZE.search(svg)
    if found is None:
        raise ValueError("a chart says its width and height at its beginning")
    area = int(found[1]) * int(found[2])
    return min(ZOOM, math.sqrt(MOST_PIXELS / area))


def png(svg: str, *, paper: str) -> bytes:
    """Return the chart as PNG on a ground of the colour `paper`."""
    return resvg_py.svg_to_bytes(
        svg_string=svg,
        zoom=zoom(svg),
        background=paper,
        font_family=FAMILY,
        sans_serif_family=FAMILY,
        font_files=FILES,
        skip_system_fonts=True,
    )
