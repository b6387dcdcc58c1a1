"""Tells in which encoding text is written that is not Unicode, by what its letters look like in words.

An export has few letters beside its numbers, too few to go by how frequent each is in a language.
"""

from __future__ import annotations

import re
import unicodedata
from codecs import getincrementaldecoder
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress

from charset_normalizer import from_bytes

from service.intake.export import words
from service.intake.export.times import parse

EUROPEAN = (
    "cp1252", "cp1250", "cp1251", "cp1253", "iso8859-15", "iso8859-2", "mac-roman", "cp850", "cp852", "koi8-r", "cp866",
    "mac-cyrillic", "iso8859-5",
)  # fmt: skip
"""Of those that fit equally well the first is taken."""

FEW = ("cp1254", "cp1257")
"""Too like cp1252 to be told by words; a month's name tells them."""

EAST_ASIAN = ("cp932", "gb18030", "cp949", "big5", "euc_jp")
_OF_TRADE = re.compile(
    "時間|时间|시간|日時|일시|時刻|시각|日期|날짜|日付|発電|发电|發電|발전|電力|电力|전력|出力|출력|功率|電量|电量|電能|电能|番号|编号|編號|번호"
    "|序列号|序號|装置|逆变器|逆變器|인버터|屋根|屋顶|屋頂|지붕|開始|开始|시작|終了|结束|結束|종료|モジュール|组件|模組|모듈|[0-9]年[0-9]|[0-9]년"
)
"""Words over columns in Chinese, Japanese and Korean: in a wrong encoding none comes about by chance."""

MOST_ODD = 0.25
MOST_IN_A_ROW = 2
LOOKED_AT = 50_000
_BEYOND_ASCII = re.compile(rb"[\x80-\xff]+")
LONGEST_WORD = 80
MOST_CELLS = 200
_CELLS = re.compile(rb"[^;,|\t\"\r\n]{4,60}")
_HAS_DIGIT = re.compile(rb"[0-9]").search
_BETWEEN_WORDS = re.compile(r"[\s;,|\"]+")
_DASHES = "\u2013\u2014"
_BETWEEN = frozenset(f"\u2019·ºª\u00a0{_DASHES}")
_AROUND = frozenset("°²³µ€£§«»„“”\u2018…№±\u00d7")
"""Signs that stand between letters or numbers, and those that do so before or after only."""


def encoding_of(head: bytes) -> str:
    """Return the encoding of the first bytes of a text."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if head[1:200:2].count(0) > 60:
        return "utf-16-le"
    if head[0:200:2].count(0) > 60:
        return "utf-16-be"
    with suppress(UnicodeDecodeError):
        getincrementaldecoder("utf-8-sig")().decode(head)
        return "utf-8-sig"
    likely = _by_words(head[:LOOKED_AT])
    return _by_dates(head[:LOOKED_AT], likely) or _by_label(head[:LOOKED_AT], likely) or likely


def _by_label(head: bytes, likely: str) -> str | None:
    """Return the only kind of letters in which a word for start or end stands there, if none does in the likely one."""
    found = {
        encoding: word
        for encoding in (*EUROPEAN, *FEW, "cp1255")
        if (word := _label_word(head.decode(encoding, "replace")))
    }
    return None if likely in found or len(set(found.values())) != 1 else next(iter(found))


def _label_word(text: str) -> str | None:
    """Return the first word for the start or the end that has letters beyond ASCII."""
    words_found = (m[0] for word in (words.START, words.END) for m in word.finditer(text))
    return next((found for found in words_found if not found.isascii()), None)


def _by_dates(head: bytes, likely: str) -> str | None:
    """Return the encoding in which most dates with letters beyond ASCII can be read; None if in none more than so."""
    cells = dict.fromkeys(cell for cell in _CELLS.findall(head) if _HAS_DIGIT(cell) and not cell.isascii())
    some = list(cells)[:MOST_CELLS]
    dates = {encoding: _dates(some, encoding) for encoding in (*EUROPEAN, *FEW, *EAST_ASIAN)}
    most = max(dates.values())
    best = [encoding for encoding, count in dates.items() if count == most > _dates(some, likely)]
    return min(best, key=lambda encoding: _oddness(head, encoding) or 0.0, default=None)


def _dates(cells: Sequence[bytes], encoding: str) -> int:
    """Return how many cells are dates in that encoding."""
    texts = (cell.decode(encoding, "replace") for cell in cells)
    return sum((found := parse(text, "dmy")) is not None and found.day is not None for text in texts)


def _by_words(head: bytes) -> str:
    if of_trade := _of_trade(head):
        return of_trade
    odd = {encoding: share for encoding in EUROPEAN if (share := _oddness(head, encoding)) is not None}
    best = min(odd, key=lambda encoding: odd[encoding], default="cp1252")
    if odd.get(best, 1.0) <= (0.0 if _is_in_pairs(head) else MOST_ODD):
        return best
    far = (from_bytes(head, cp_isolation=[encoding]).best() for encoding in EAST_ASIAN)
    return next((found.encoding for found in far if found), best)


def _of_trade(head: bytes) -> str | None:
    """Return the encoding of East Asia in which most words of the trade show, if any does in one."""
    found = Counter[str]()
    for encoding in EAST_ASIAN:
        with suppress(UnicodeDecodeError):
            found[encoding] = len(_OF_TRADE.findall(getincrementaldecoder(encoding)().decode(head)))
    best = max(found, key=lambda encoding: found[encoding], default=None)
    return best if best and found[best] else None


def _is_in_pairs(head: bytes) -> bool:
    """Return whether all bytes beyond ASCII stand in pairs, several beside each other, as signs of East Asia do."""
    lengths = [len(run) for run in _BEYOND_ASCII.findall(head)]
    return max(lengths, default=0) >= 4 and all(length % 2 == 0 for length in lengths)


def _oddness(head: bytes, encoding: str) -> float | None:
    """Return how many of the letters and signs beyond ASCII are out of place, None if the bytes cannot be such."""
    try:
        text = getincrementaldecoder(encoding)().decode(head)
    except UnicodeDecodeError:
        return None
    said = dict.fromkeys(word[:LONGEST_WORD] for word in _BETWEEN_WORDS.split(text) if not word.isascii())
    found = [
        _is_odd(word, i)
        for word in (f"  {word}  " for word in said)
        for i, sign in enumerate(word)
        if not sign.isascii()
    ]
    return sum(found) / len(found) if found else 0.0


def _is_odd(word: str, i: int) -> bool:
    """Return whether a letter or sign would hardly stand where it does in a word."""
    sign, beside = word[i], [other for other in (word[i - 1], word[i + 1]) if other.isalpha()]
    if sign in _AROUND:
        return word[i - 1].isalnum() and word[i + 1].isalnum()
    if sign in _BETWEEN or not sign.isalpha():
        return sign not in _BETWEEN or (sign in _DASHES and len(beside) == 2)
    if any(_script(other) != _script(sign) for other in beside):
        return True
    if sign.isupper():
        return word[i - 1].islower() or (word[i - 1].isalpha() and word[i + 1].islower())
    return all(map(str.isupper, word[i - 2 : i])) or (
        _script(sign) == "LATIN" and _in_a_row(word, i) > MOST_IN_A_ROW
    )


def _in_a_row(word: str, i: int) -> int:
    """Return how many letters beyond ASCII follow each other there: more than two are hardly of a Latin alphabet."""
    begin, end = i, i + 1
    while word[begin - 1].isalpha() and not word[begin - 1].isascii():
        begin -= 1
    while word[end].isalpha() and not word[end].isascii():
        end += 1
    return end - begin


def _script(letter: str) -> str:
    return unicodedata.name(letter, "").partition(" ")[0]
