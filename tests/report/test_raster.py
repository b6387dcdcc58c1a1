"""A chart's PNG: the same drawing at twice the size, with its words, whatever fonts the machine has."""

from __future__ import annotations

from io import BytesIO
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import Image

from service.report import charts
from service.report.days import sum_series
from service.report.raster import MOST_PIXELS, png, zoom
from service.report.sunpaths import PAPER
from tests.report import sample


def pixels(svg: str, paper: str = "#ffffff") -> np.ndarray:
    return np.asarray(Image.open(BytesIO(png(svg, paper=paper))).convert("RGB")).astype(int)


def svg_of(body: str) -> str:
    font = 'font-family="system-ui, sans-serif" font-size="16"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="120" height="40" {font}>{body}</svg>'


@pytest.mark.parametrize("dark", [False, True])
def test_a_chart_is_twice_its_size_on_paper_with_its_colours(*, dark: bool) -> None:
    curves = sample.verification().curves
    assert curves is not None
    series = sum_series(curves, curves.measured_wh, ZoneInfo(sample.ZONE))
    svg = charts.day_panels(series, title="x", dark=dark)
    ink, paper = (charts.DARK, PAPER["dark"]) if dark else (charts.LIGHT, PAPER["light"])
    drawn = pixels(svg, paper)
    width, height = charts.size(sample.DAYS)
    assert drawn.shape == (2 * height, 2 * width, 3)
    colours = {tuple(c) for c in np.unique(drawn.reshape(-1, 3), axis=0)}
    assert {tuple(bytes.fromhex(c[1:])) for c in (paper, ink.made, ink.mark)} <= colours


@pytest.mark.parametrize("text", ["missing 24.9", "\u00c4\u00df\u0142\u0434\u03bb", "\u2013 \u00b0 \u2212"])
def test_words_are_drawn(text: str) -> None:
    assert (pixels(svg_of(f'<text x="2" y="24">{text}</text>')) < 128).all(axis=2).sum() > 40


def test_bold_is_bolder() -> None:
    plain, bold = (
        (pixels(svg_of(f'<text x="2" y="24"{weight}>missing</text>')) < 128).sum()
        for weight in ("", ' font-weight="600"')
    )
    assert bold > 1.2 * plain


def test_a_huge_drawing_takes_no_huge_memory() -> None:
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="30000" height="20000">'
    square = f'{head}<path d="M0 0h30000v20000h-30000z"/></svg>'
    drawn = Image.open(BytesIO(png(square, paper="#ffffff")))
    assert drawn.width * drawn.height == pytest.approx(MOST_PIXELS, rel=0.01)
    assert drawn.width / drawn.height == pytest.approx(1.5, rel=0.01)
    assert zoom(svg_of("")) == 2
