"""The style sheet's colours can be read, and told apart without seeing hue.

Relative luminance and contrast ratio as defined in WCAG 2.2 (W3C Recommendation, section 'relative luminance'); the
thresholds are those of its success criteria 1.4.3 (4.5), 1.4.6 (7) and 1.4.11 (3, for graphics).
"""

from __future__ import annotations

import re

import pytest

from service.report import charts
from service.web.pages.render import STATIC_DIR

pytestmark = pytest.mark.one_database

TEXT, GOOD_TEXT, GRAPHICS = 4.5, 7.0, 3.0


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def palettes() -> dict[str, dict[str, str]]:
    css = (STATIC_DIR / "page.css").read_text(encoding="utf-8")
    light, dark = (
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    )
    return {"light": light, "dark": dark}


def test_the_formula() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: ratios go from 1 to 21
    assert contrast("#777777", "#777777") == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_words_stand_out(scheme: str, ground: str) -> None:
    colours = palettes()[scheme]
    assert contrast(colours["ink"], colours[ground]) >= GOOD_TEXT
    assert contrast(colours["quiet"], colours[ground]) >= TEXT
    assert contrast(colours["mark"], colours[ground]) >= TEXT


def test_on_light_paper_sun_and_hatch_differ_in_brightness_too() -> None:
    colours = palettes()["light"]
    assert contrast(colours["sun"], colours["mark"]) >= GRAPHICS
    assert contrast(colours["sun"], colours["ink"]) >= GRAPHICS


@pytest.mark.parametrize(("scheme", "ink"), [("light", charts.LIGHT), ("dark", charts.DARK)])
def test_charts_use_the_same_colours(scheme: str, ink: charts.Ink) -> None:
    colours = palettes()[scheme]
    assert (ink.text, ink.quiet, ink.rule, ink.made, ink.mark) == tuple(
        colours[name] for name in ("ink", "quiet", "rule", "sun", "mark")
    )
