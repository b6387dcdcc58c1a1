"""Spoils good inputs, as broken programs, broken lines and people do. The same seed spoils in the same way."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from random import Random
from typing import Any

LONGEST = 2_000_000
"""Bytes of a spoiled input: enough for what repeats itself, and many can be sent in an hour."""

NASTY = (
    b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1e999", b"-0", b"1e-400", b"9" * 400, b"0x1F", b"1_000", b"null",
    b"true", b"[]", b"{}", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\\ud800", b"\r", b"\n\n\n", b'"',
    b"'", b",,,,,,,,", b";", b"\t", b"=1+1", b"@SUM(A1)", b"../../etc/passwd", b"<script>", b"%s%n", b"{{7*7}}",
    b"' OR 1=1 --", b"2026-02-30T00:00:00Z", b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:59+14:00", b"24:00",
    b"2026-03-29T02:30:00", b"1970-01-01T00:00:00-99:99",
    "١٢٣".encode(), "\u22125".encode(), "1\u202f234,5".encode(), "\u2028".encode(),
    "😀".encode(), "e\u0301".encode(), b"PK\x03\x04", b"\x1f\x8b", b"PAR1",
)  # fmt: skip

ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1e308, -1e308, 5e-324, 2**63, -(2**63) - 1, 10**40, "", " ", "\x00", "NaN", "1e999",
    "\ud800", "x" * 5000, [], {}, [[]], [None] * 50, {"": ""}, "2026-02-30", "2026-06-01T00:00:00",
    "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+23:59", 61, 7, 0.5, "é" * 90,
)  # fmt: skip

Spoil = Callable[[Random, bytes, Sequence[bytes]], bytes]


def spoiled(random: Random, good: Sequence[bytes]) -> bytes:
    """Return one of the good inputs, spoiled one to four times."""
    body = random.choice(good)
    for _ in range(random.choice((1, 1, 1, 1, 1, 2, 2, 3))):
        body = random.choice(WAYS)(random, body, good)[:LONGEST]
    return body


def _flip(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    spoilt = bytearray(body)
    for _n in range(random.choice((1, 1, 2, 8))):
        if spoilt:
            spoilt[random.randrange(len(spoilt))] = random.randrange(256)
    return bytes(spoilt)


def _cut(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    return body[: random.randrange(len(body) + 1)]


def _drop(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    start, end = _span(random, body)
    return body[:start] + body[end:]


def _repeat(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    start, end = _span(random, body)
    return body[:end] + body[start:end] * random.choice((1, 2, 10, 200)) + body[end:]


def _put(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    start, end = _span(random, body)
    if random.random() < 0.5:
        end = start
    return body[:start] + random.choice(NASTY) + body[end:]


def _cell(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    """Put something nasty in the place of what stands between two commas, colons or ends of lines."""
    ends = [i for i, c in enumerate(body[:20_000]) if c in b',;:\n\t[]"']
    if len(ends) < 2:
        return body
    i = random.randrange(len(ends) - 1)
    return body[: ends[i] + 1] + random.choice(NASTY) + body[ends[i + 1] :]


def _digit(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    """Change digits only: what is spoiled so is still understood, and has to be judged by its value."""
    places = [i for i, c in enumerate(body[:20_000]) if c in b"0123456789"]
    spoilt = bytearray(body)
    for i in random.sample(places, min(len(places), random.choice((1, 3, 20)))):
        spoilt[i] = random.choice(b"0123456789")
    return bytes(spoilt)


def _splice(random: Random, body: bytes, good: Sequence[bytes]) -> bytes:
    other = random.choice(good)
    return body[: random.randrange(len(body) + 1)] + other[random.randrange(len(other) + 1) :]


def _bury(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    depth = random.choice((3, 200, 5000, 100_000))
    opening, closing = random.choice(((b"[", b"]"), (b'{"a":', b"}")))
    return opening * depth + (body if random.random() < 0.5 else b"1") + closing * random.choice((depth, 0))


def _recode(random: Random, body: bytes, _: Sequence[bytes]) -> bytes:
    text = body.decode("utf-8", "replace")
    return text.encode(random.choice(("utf-16", "utf-16-le", "utf-32", "cp1252", "utf-8-sig")), "replace")


def _tree(random: Random, body: bytes, good: Sequence[bytes]) -> bytes:
    """Change a value somewhere in a JSON tree, which the ways by bytes seldom leave whole."""
    try:
        tree = json.loads(body)
    except (ValueError, RecursionError):
        return _cell(random, body, good)
    for _ in range(random.choice((1, 1, 2, 5))):
        tree = _changed(random, tree)
    try:
        return json.dumps(tree).encode()
    except (ValueError, RecursionError):
        return body


def _changed(random: Random, tree: Any) -> Any:
    if isinstance(tree, dict) and tree and random.random() < 0.9:
        key = random.choice(list(tree))
        way = random.random()
        if way < 0.1:
            return {k: v for k, v in tree.items() if k != key}
        if way < 0.2:
            return {**tree, str(random.choice(ODD)): tree[key]}
        return {**tree, key: _changed(random, tree[key])}
    if isinstance(tree, list) and tree and random.random() < 0.9:
        i = random.randrange(len(tree))
        if random.random() < 0.1:
            return tree[:i] + tree[i:] * random.choice((0, 2, 20))
        return [*tree[:i], _changed(random, tree[i]), *tree[i + 1 :]]
    return random.choice(ODD)


def _span(random: Random, body: bytes) -> tuple[int, int]:
    start = random.randrange(len(body) + 1)
    return start, min(len(body), start + random.choice((1, 2, 8, 64, 1024)))


WAYS: tuple[Spoil, ...] = (
    _flip, _cut, _drop, _repeat, _put, _put, _cell, _cell, _splice, _bury, _recode,
    _tree, _tree, _tree, _digit, _digit, _digit, _digit,
)  # fmt: skip
