"""The plot of the sun's paths: legible, its obstacle where the numbers say, seen and guessed parts told apart."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from service.expect.site import Site
from service.expect.year import sun_paths
from service.report import sunpaths
from service.report.charts import LETTER_PX
from service.report.language import languages, speaking
from service.report.sunpaths import SunPath, Top, compass, height_words, size, sun_chart, tops
from service.verify.outline import BIN_DEG
from service.web.pages.render import STATIC_DIR

SVG = "{http://www.w3.org/2000/svg}"
CHIMNEY = [
    Top(142.5, 30.0, 0.0, known=False),
    Top(147.5, 30.0, 26.0, known=False),
    Top(152.5, 30.0, 29.0, known=True),
]


def paths(latitude: float = 51.3) -> list[SunPath]:
    site = Site("x", latitude, 12.0, "UTC", (), (), (), ())
    azimuth, elevation = sun_paths(site, np.array([354, 20, 78, 171]))
    names = (("21 Dec", "main"), ("21 Jan, 22 Nov", "month"), ("20 Mar, 23 Sep", "main"), ("21 Jun", "main"))
    return [SunPath(n, a, e, w) for (n, w), a, e in zip(names, azimuth, elevation, strict=True)]


def chart(outline: list[Top] | None = None, *, latitude: float = 51.3, **look: bool) -> str:
    return sun_chart(
        paths(latitude),
        CHIMNEY if outline is None else outline,
        northern=latitude >= 0,
        title="Unit 7",
        **look,
    )


def texts(svg: str) -> list[str]:
    return [node.text or "" for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314 - our own


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("latitude", [51.3, -32.0, 6.7, 70.0])
def test_axes_paths_and_legend_are_there_with_units(latitude: float, *, narrow: bool, dark: bool) -> None:
    svg = chart(latitude=latitude, narrow=narrow, dark=dark)
    said = texts(svg)
    assert {"0\u00b0", "20\u00b0", "20 Mar, 23 Sep"} <= set(said)
    assert ("S" if narrow else "south") in said or ("N" if narrow else "north") in said
    assert {"sun\u2019s path", "hides the sun", "top seen", "not seen: at least, or a guess"} <= set(said)
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own
    assert (int(root.attrib["width"]), int(root.attrib["height"])) == size(narrow=narrow)
    assert root.attrib["role"] == "img"


@pytest.mark.parametrize("forbidden", ["<style", "style=", "<script", "href", "onload", "nan", "inf"])
@pytest.mark.parametrize("latitude", [51.3, 0.0, 70.0, 89.0])
def test_nothing_that_the_policy_blocks_and_only_numbers(latitude: float, forbidden: str) -> None:
    assert forbidden not in chart(latitude=latitude).replace("infinite", "")


def test_words_are_large_enough_and_the_phone_is_not_passed() -> None:
    assert size(narrow=True)[0] <= 390 - 2 * 16
    root = ElementTree.fromstring(chart(narrow=True))  # noqa: S314 - our own
    assert min(float(node.attrib.get("font-size", 12)) for node in root.iter(f"{SVG}text")) >= 11


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("narrow", [False, True])
def test_legend_stays_within_the_picture_and_above_the_plot(language: str, *, narrow: bool) -> None:
    with speaking(language):
        root = ElementTree.fromstring(chart(narrow=narrow))  # noqa: S314 - our own
        first_rule = min(
            float(m)
            for m in re.findall(r'<path d="M[\d.]+,([\d.]+)h[\d.]+" stroke="#d9d2bf"/>', chart(narrow=narrow))
        )
    keys = [
        node for node in root.iter(f"{SVG}g") if node.attrib.get("transform", "").startswith("translate(")
    ]
    assert len(keys) == 5
    for key in keys:
        x, y = map(float, re.findall(r"[\d.]+", key.attrib["transform"]))
        text = key.find(f"{SVG}text")
        assert text is not None
        assert x + 25 + LETTER_PX * len(text.text or "") <= float(root.attrib["width"])
        assert y + 18 < first_rule - 18, "the axis is named between the two"


def test_a_seen_top_is_solid_and_a_guessed_one_dashed() -> None:
    styles = edges(chart())
    assert styles["solid"].count("H") == 1  # one bin's top was seen from both sides
    assert styles["dashed"].count("H") == 2
    assert "H" not in edges(chart([Top(150.0, 30.0, 29.0, known=True)]))["dashed"]  # its sides alone


def edges(svg: str) -> dict[str, str]:
    """Return the paths of the obstacle's edge by their stroke."""
    found = re.findall(r'<path d="(M[^"]+)" fill="none" stroke="#4a3fb5" ([^/]+)/>', svg)
    return {"dashed" if "dasharray" in style else "solid": path for path, style in found}


def test_only_what_hid_the_sun_is_filled() -> None:
    fill = re.findall(r'<path d="([^"]+)" fill="url\(#obstacle\)"/>', chart())[-1]
    assert fill.count("Z") == 2  # the guessed azimuth is not


def test_the_obstacle_stands_where_its_azimuth_is_marked() -> None:
    svg = chart([Top(180.0, 30.0, 29.0, known=True)])
    fill = re.findall(r'd="M([\d.]+),[\d.]+V([\d.]+)H([\d.]+)V', svg)[-1]
    south = re.search(r'<text x="([\d.]+)" [^>]+>180\u00b0</text>', svg)
    assert south is not None
    assert (float(fill[0]) + float(fill[2])) / 2 == pytest.approx(float(south[1]), abs=0.1)
    rows = {
        t: float(y) for y, t in re.findall(r'y="([\d.]+)" text-anchor="end" [^>]+>(\d+)\u00b0</text>', svg)
    }
    per_degree = (rows["0"] - rows["40"]) / 40
    assert (rows["0"] - 4 - float(fill[1])) / per_degree == pytest.approx(29, abs=0.1)


def test_the_south_has_its_noon_in_the_north_and_in_the_middle() -> None:
    svg = chart([], latitude=-32.0)
    north = re.search(r'<text x="([\d.]+)" [^>]+>north</text>', svg)
    plot_left, plot_right = 48, 1030
    assert north is not None
    assert float(north[1]) == pytest.approx((plot_left + plot_right) / 2, abs=1)


def test_an_obstacle_around_north_is_one_piece_in_the_south() -> None:
    svg = chart([Top(357.5, 30, 28, known=False), Top(2.5, 30, 28, known=False)], latitude=-32.0)
    assert len(re.findall(r'fill="url\(#obstacle\)"', svg)) == 2  # one in the legend


def test_titles_are_escaped_and_dark_paper_has_other_ink() -> None:
    svg = sun_chart(paths(), CHIMNEY, northern=True, title="<b>")
    assert "<title>&lt;b&gt;</title>" in svg
    assert sunpaths.LIGHT.mark not in chart(dark=True)


def test_the_rim_of_words_is_the_pages_ground() -> None:
    css = (STATIC_DIR / "page.css").read_text(encoding="utf-8")
    grounds = re.findall(r"--paper: (#[0-9a-f]{6})", css)
    assert grounds == [sunpaths.PAPER["light"], sunpaths.PAPER["dark"]]


@pytest.mark.parametrize(
    ("azimuth", "word"),
    [
        (0, "north"),
        (22, "north"),
        (23, "north-east"),
        (135, "south-east"),
        (337, "north-west"),
        (338, "north"),
    ],
)
def test_compass(azimuth: float, word: str) -> None:
    assert compass(azimuth) == word


def test_height_in_words() -> None:
    assert height_words(CHIMNEY) == "reaches 30\u00b0"
    assert height_words(CHIMNEY[:2]) == "reaches at least 26\u00b0"


def test_azimuths_are_as_wide_as_they_were_told_in() -> None:
    assert sunpaths.BIN_DEG == BIN_DEG


def test_details_are_read_back() -> None:
    details = [{"azimuth_deg": 2.5, "elevation_deg": 30, "known": True}]
    assert tops(details) == [Top(2.5, 30.0, 0.0, known=True)]
