"""Charts as PNG, for a letter or a form that takes no SVG: the same SVG text, drawn at twice its size.

The fonts lie beside this file, so that a bare server draws words too, and the same ones everywhere.
"""

from __future__ import annotations

from pathlib import Path

import resvg_py

FONTS = Path(__file__).parent / "fonts"
FAMILY = "DejaVu Sans"
FILES = [str(FONTS / name) for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")]
ZOOM = 2


def png(svg: str, *, paper: str) -> bytes:
    """Return the chart as PNG on a ground of the colour `paper`."""
    return resvg_py.svg_to_bytes(
        svg_string=svg,
        zoom=ZOOM,
        background=paper,
        font_family=FAMILY,
        sans_serif_family=FAMILY,
        font_files=FILES,
        skip_system_fonts=True,
    )
