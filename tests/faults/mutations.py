"""Damage to files: what bit rot, cut copies, wrong editors and malice leave."""

from __future__ import annotations

import random
import re
import struct
import zlib

NASTY = (
    b"nan", b"inf", b"-inf", b"1e999", b"-1", b"0", b"99999999999999999999", b"1e-320", b"true",
    b"null", b"~", b"[]", b"{}", b'""', b"'", b"!!python/object:os.system x", b"&a", b"*a", b"[[[[",
    b"../../etc/passwd", b"/dev/zero", b"\x1b[2J", b"\xc2\x9b31m", b"\xe2\x80\xae", b"\x00",
    b"\xff\xfe", b"\xed\xa0\x80", b"010", b"0x10", b"1_000", b"1,5", b"- - - -", b"? ", b"%s%n",
)  # fmt: skip


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return ``data`` with one to three kinds of damage."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        data = rng.choice(KINDS)(data, rng)
    return data


def _span(data: bytes, rng: random.Random, most: int) -> tuple[int, int]:
    start = rng.randrange(len(data) + 1)
    return start, min(len(data), start + rng.randint(0, most))


def _flip(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def _letter(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([rng.choice(b"aX0:,{}[]\"'-#\n\r\t")]) + data[at + 1 :]


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _gap(data: bytes, rng: random.Random) -> bytes:
    start, end = _span(data, rng, 200)
    return data[:start] + data[end:]


def _zeroed(data: bytes, rng: random.Random) -> bytes:
    start, end = _span(data, rng, 512)
    return data[:start] + bytes(end - start) + data[end:]


def _twice(data: bytes, rng: random.Random) -> bytes:
    start, end = _span(data, rng, 400)
    at = rng.randrange(len(data) + 1)
    return data[:at] + data[start:end] * rng.choice((1, 1, 2, 50)) + data[at:]


def _value(data: bytes, rng: random.Random) -> bytes:
    """Put something nasty in the place of one number or word."""
    found = list(re.finditer(rb"[-+\w.]+", data[:200_000]))
    if not found:
        return data
    one = rng.choice(found)
    return data[: one.start()] + rng.choice(NASTY) + data[one.end() :]


def _number(data: bytes, rng: random.Random) -> bytes:
    """Scale one number by a great factor."""
    found = list(re.finditer(rb"-?\d+\.\d+|\d+", data[:200_000]))
    if not found:
        return data
    one = rng.choice(found)
    factor = rng.choice((-1, 0, 1e-9, 10, 1000, 1e9, 1e30, 1e300))
    return data[: one.start()] + repr(float(one[0]) * factor).encode() + data[one.end() :]


def _inserted(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(NASTY) * rng.choice((1, 1, 3, 2000)) + data[at:]


def _lines(data: bytes, rng: random.Random) -> bytes:
    """Swap, drop or repeat lines."""
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(3):
        case 0:
            lines[a], lines[b] = lines[b], lines[a]
        case 1:
            del lines[a]
        case _:
            lines.insert(b, lines[a])
    return b"\n".join(lines)


def _encoded(data: bytes, rng: random.Random) -> bytes:
    """Another editor: line ends, byte order marks, other encodings."""
    text = data.decode("utf-8", "replace")
    return rng.choice(
        (
            data.replace(b"\n", b"\r\n"),
            data.replace(b"\n", b"\r"),
            b"\xef\xbb\xbf" + data,
            text.encode("utf-16"),
            text.encode("latin-1", "replace"),
            text.encode("utf-7"),
            b"",
        )
    )


def _chunk(data: bytes, rng: random.Random) -> bytes:
    """Change a PNG's head and make its checksum right again: other sizes, depths and colours."""
    if not data.startswith(b"\x89PNG") or len(data) < 33:
        return _flip(data, rng)
    width, height, *rest = struct.unpack(">IIBBBBB", data[16:29])
    size = (1, 7, 4096, 60_000, 2**31 - 1, width, height)
    rest[0], rest[1] = rng.choice((1, 2, 4, 8, 16)), rng.choice((0, 2, 3, 4, 6))
    head = b"IHDR" + struct.pack(">IIBBBBB", rng.choice(size), rng.choice(size), *rest)
    return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]


KINDS = (
    _flip, _flip, _letter, _letter, _cut, _gap, _zeroed, _twice, _value, _value, _value, _number,
    _number, _inserted, _lines, _encoded, _chunk,
)  # fmt: skip
