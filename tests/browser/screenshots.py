"""Takes every page at both widths, light and dark, in every language: `python -m tests.browser.screenshots OUT_DIR`.

For those who change pages, to look at what they changed. One contact sheet for each width, scheme and language.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from itertools import product
from pathlib import Path
from typing import Any

from argon2.profiles import CHEAPEST
from PIL import Image, ImageDraw
from playwright.sync_api import sync_playwright

from service.report.language import languages
from service.store import accounts
from tests.browser.house import FLAGS, FullHouse, full_house
from tests.browser.pages import LOOKS, Look
from tests.browser.signing_in import signed_in_context

WIDTHS, SCHEMES = (390, 1280), ("light", "dark")
ACROSS = {390: (8, 360, 2.6), 1280: (4, 720, 1.6)}
"""For each width how many pages stand across on the contact sheet, how wide, and how much of each in widths."""

ALL_PICTURES = "document.querySelectorAll('img').forEach(image => image.loading = 'eager')"


def main(out: Path, only: str = "") -> None:
    """Take the pages whose name holds `only` into the folder."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        sys.exit("There is no Chromium on this machine; install the package chromium.")
    accounts.HASHING = CHEAPEST
    out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        full_house(Path(folder)) as house,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        looks = [look for look in LOOKS if only in look.name]
        for way in product(WIDTHS, SCHEMES, languages()):
            _contact_sheet(_taken(browser, house, looks, way, out), way[0], out / f"all-{_name(way)}.png")


def _taken(
    browser: Any, house: FullHouse, looks: list[Look], way: tuple[int, str, str], out: Path
) -> list[Path]:
    width, scheme, language = way
    options = {"viewport": {"width": width, "height": 844}, "color_scheme": scheme}
    people = {"office": house.office, "installer": house.installer, "nobody": None}
    contexts = {
        by: signed_in_context(browser, house.address, person, **options) for by, person in people.items()
    }
    taken = []
    for look in looks:
        tab = contexts[look.by].new_page()
        address = look.address.format(**house.values)
        tab.goto(f"{address}{'&' if '?' in address else '?'}lang={language}")
        tab.evaluate(ALL_PICTURES)
        tab.wait_for_load_state("networkidle")
        taken.append(out / f"{look.name}-{_name(way)}.png")
        tab.screenshot(path=taken[-1], full_page=True)
        tab.close()
    for context in contexts.values():
        context.close()
    return taken


def _contact_sheet(taken: list[Path], width: int, path: Path) -> None:
    most, thumb_px, tallest = ACROSS[width]
    across, height = min(len(taken), most), int(thumb_px * tallest)
    sheet = Image.new("RGB", (across * (thumb_px + 12), -(-len(taken) // across) * (height + 30)), "#888888")
    draw = ImageDraw.Draw(sheet)
    for n, one in enumerate(taken):
        left, top = n % across * (thumb_px + 12) + 6, n // across * (height + 30) + 22
        page = Image.open(one)
        small = page.resize((thumb_px, round(page.height * thumb_px / page.width)))
        sheet.paste(small.crop((0, 0, thumb_px, min(height, small.height))), (left, top))
        draw.text((left, top - 16), one.stem, fill="#ffffff")
    sheet.save(path)


def _name(way: tuple[int, str, str]) -> str:
    return "-".join(map(str, way))


if __name__ == "__main__":
    if not 2 <= len(sys.argv) <= 3:
        sys.exit("python -m tests.browser.screenshots OUT_DIR [PART_OF_A_NAME]")
    main(Path(sys.argv[1]), *sys.argv[2:])
