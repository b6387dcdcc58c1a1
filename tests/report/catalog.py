"""The texts that people read, collected from the code and the templates, and each language's file brought up to them.

`python -m tests.report.catalog` brings every file of `service/report/languages` up to the texts; with a language's
code, `python -m tests.report.catalog fr`, it begins that language's file if there is none. Translations are not
guessed: a new text stands there empty, and one that is gone is taken out.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import cache
from io import BytesIO
from pathlib import Path

from babel import Locale
from babel.messages import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from service.report.language import FOLDER

ROOT = Path(__file__).parent.parent.parent
PLACES = (("service", [("**.py", "python")]), ("templates", [("**.html", "jinja2")]))
OPTIONS = {"**.html": {"silent": "false", "trimmed": "true", "newstyle_gettext": "true"}}
KEYWORDS = {
    "_": None,
    "gettext": None,
    "ngettext": (1, 2),
    "pgettext": ((1, "c"), 2),
    "npgettext": ((1, "c"), 2, 3),
    "marked": None,
    "nmarked": (1, 2),
    "pmarked": ((1, "c"), 2),
    "sentence": None,
    "counted_sentence": (1, 2),
    "term": None,
    "told": None,
    "mark": None,
    "AccountError": None,
}
HEADER = "# Texts of Yieldproof. `python -m tests.report.catalog` brings this file up to the code's."


@cache
def collected() -> Catalog:
    """Return all texts, as the English that stands in code and templates; to be read only."""
    catalog = Catalog(project="Yieldproof", charset="utf-8", fuzzy=False)
    for folder, mapping in PLACES:
        found = extract_from_dir(ROOT / folder, mapping, OPTIONS, KEYWORDS)
        for name, _line, message, _comments, context in found:
            catalog.add(message, locations=[(f"{folder}/{name}", 0)], context=context)
    return catalog


def kept(path: Path) -> Catalog:
    """Return a language's file as it is."""
    with path.open("rb") as file:
        return read_po(file, locale=path.stem)


def texts(catalog: Catalog) -> Iterator[Message]:
    """Give a catalogue's texts, its header left out."""
    return (message for message in catalog if message.id)


def brought_up(path: Path) -> Catalog:
    """Return a language's file with exactly the texts that there are, translated as far as they were."""
    old = kept(path) if path.exists() else None
    new = Catalog(locale=Locale.parse(path.stem), project="Yieldproof", charset="utf-8", fuzzy=False)
    for message in texts(collected()):
        known = old.get(message.id, message.context) if old else None
        places = sorted({(name, 0) for name, _ in message.locations})
        new.add(message.id, known.string if known else None, locations=places, context=message.context)
    return new


def write(path: Path, catalog: Catalog) -> None:
    """Write a language's file, without times and lines, so that it changes only where texts do."""
    head = {
        "Project-Id-Version": "yieldproof",
        "Language": path.stem,
        "MIME-Version": "1.0",
        "Content-Type": "text/plain; charset=utf-8",
        "Content-Transfer-Encoding": "8bit",
        "Plural-Forms": catalog.plural_forms,
    }
    lines = "".join(f'"{name}: {value}\\n"\n' for name, value in head.items())
    body = BytesIO()
    write_po(body, catalog, width=110, omit_header=True, sort_by_file=True, include_lineno=False)
    path.write_bytes(f'{HEADER}\nmsgid ""\nmsgstr ""\n{lines}\n'.encode() + body.getvalue())


def main(codes: list[str]) -> None:
    """Bring the files up, or begin those asked for."""
    for path in [FOLDER / f"{code}.po" for code in codes] or sorted(FOLDER.glob("*.po")):
        catalog = brought_up(path)
        write(path, catalog)
        missing = sum(
            not (all(m.string) if isinstance(m.string, tuple | list) else m.string) for m in texts(catalog)
        )
        print(f"{path.name}: {len(list(texts(catalog)))} texts, {missing} to translate")


if __name__ == "__main__":
    main(sys.argv[1:])
