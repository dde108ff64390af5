"""Spoils a file as broken loggers, half copies and ill will do; the same seed, the same file."""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random

#: A spoilt file grows no larger than this, so that a case says something about the reader
#: and not about how much there is to read.
MOST = 2 << 20

NUMBERS = (
    b"1e999",
    b"-1e999",
    b"NaN",
    b"-inf",
    b"9" * 400,
    b"1e308",
    b"-0.0",
    b"0",
    b"-1",
    b"4294967296",
    b"9223372036854775807",
    b"-9223372036854775808",
    b"18446744073709551616",
    b"1e-320",
    b"0x7fffffff",
    b"1_000",
    "١٢٣".encode(),
    b"2147483648",
    b"253402300800",
    b"1,5",
    b"",
)
RUBBISH = (
    b"\x00" * 40,
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\x1a",
    b"\r",
    b"\n\n\n",
    b'"',
    b'""',
    b";;;;;;",
    b",",
    b"\t",
    b"'",
    b"\\",
    b"<!DOCTYPE a [<!ENTITY b 'bb'><!ENTITY c '&b;&b;&b;&b;'>]>",
    b"&c;",
    b"<![CDATA[",
    b"]]>",
    b"<!--",
    b"-->",
    b"<?xml version='1.0' encoding='utf-7'?>",
    b"</feed>",
    b"</MBusData>",
    b"<MBusData>",
    b'{"a":',
    b"[[",
    b"}",
    b"null",
    b"/XYZ5\r\n\r\n",
    b"!0000\r\n",
    b"1-0:1.8.1(",
    b"68 FF FF 68",
    b"16",
    b"time;heat;elec;flow\n",
    b"=cmd|' /C calc'!A0",
    "\u202e\ud7ff\ufffe\U0001f321".encode(),
    b"2024-02-30T25:61:61+99:99",
    b"0000-00-00",
    b"+275760-09-13",
)
CODECS = ("utf-16", "utf-16-be", "utf-8-sig", "utf-7", "cp037", "utf-32")

Mutation = Callable[[bytes, bytes, Random], bytes]


def _place(content: bytes, random: Random) -> int:
    return random.randrange(len(content) + 1)


def _span(content: bytes, random: Random, most: int = 400) -> tuple[int, int]:
    start = _place(content, random)
    return start, min(len(content), start + random.randrange(1, most))


def flip_bits(content: bytes, _: bytes, random: Random) -> bytes:
    spoilt = bytearray(content)
    for _n in range(random.choice((1, 1, 2, 8, 64))):
        if spoilt:
            spoilt[random.randrange(len(spoilt))] ^= 1 << random.randrange(8)
    return bytes(spoilt)


def cut(content: bytes, _: bytes, random: Random) -> bytes:
    """Cut off the end or the beginning, or lose a stretch between."""
    start, end = sorted((_place(content, random), _place(content, random)))
    return random.choice((content[:start], content[end:], content[:start] + content[end:]))


def splice(content: bytes, other: bytes, random: Random) -> bytes:
    return content[: _place(content, random)] + other[_place(other, random) :]


def graft(content: bytes, other: bytes, random: Random) -> bytes:
    """Put a stretch of another file into this one."""
    start, end = _span(other, random, 2_000)
    at = _place(content, random)
    return content[:at] + other[start:end] + content[at:]


def repeat(content: bytes, _: bytes, random: Random) -> bytes:
    start, end = _span(content, random, random.choice((4, 60, 5_000)))
    times = random.choice((2, 3, 50, 5_000))
    return content[:start] + content[start:end] * times + content[end:]


def change_number(content: bytes, _: bytes, random: Random) -> bytes:
    found = list(re.finditer(rb"-?\d+(?:\.\d+)?", content))
    if not found:
        return content
    for one in sorted(
        random.sample(found, min(len(found), random.choice((1, 3, 30)))),
        key=lambda match: -match.start(),
    ):
        content = content[: one.start()] + random.choice(NUMBERS) + content[one.end() :]
    return content


def change_digits(content: bytes, _: bytes, random: Random) -> bytes:
    spoilt = bytearray(content)
    places = [place for place, byte in enumerate(spoilt) if 48 <= byte <= 57]
    for place in random.sample(places, min(len(places), random.choice((1, 5, 200)))):
        spoilt[place] = random.randrange(48, 58)
    return bytes(spoilt)


def add_rubbish(content: bytes, _: bytes, random: Random) -> bytes:
    for _n in range(random.choice((1, 1, 2, 5))):
        at = _place(content, random)
        content = content[:at] + random.choice(RUBBISH) + content[at:]
    return content


def add_bytes(content: bytes, _: bytes, random: Random) -> bytes:
    at = _place(content, random)
    return content[:at] + random.randbytes(random.choice((1, 16, 4_000))) + content[at:]


def nest(content: bytes, _: bytes, random: Random) -> bytes:
    """Nest brackets, objects or elements far deeper than any export does."""
    opening = random.choice((b"[", b'{"a":', b"<a>", b"(", b"<entry><content>", b'[{"n":'))
    at = random.choice((0, _place(content, random)))
    return content[:at] + opening * random.choice((20, 1_500, 100_000)) + content[at:]


def encode_wrongly(content: bytes, _: bytes, random: Random) -> bytes:
    text = content.decode("utf-8", "replace")
    return text.encode(random.choice(CODECS), "replace")


def mix_lines(content: bytes, _: bytes, random: Random) -> bytes:
    """Shuffle, drop, double or swap lines."""
    lines = content.splitlines(keepends=True)
    if len(lines) < 2:
        return content
    way = random.randrange(4)
    if way == 0:
        random.shuffle(lines)
    elif way == 1:
        del lines[random.randrange(len(lines))]
    elif way == 2:
        lines.insert(random.randrange(len(lines)), random.choice(lines))
    else:
        lines.reverse()
    return b"".join(lines)


def join_lines(content: bytes, _: bytes, random: Random) -> bytes:
    """Lose line ends, or write them as another system does."""
    return content.replace(b"\n", random.choice((b"", b" ", b"\r", b"\r\n", b"\x0b", b"\n\n")))


def lengthen(content: bytes, _: bytes, random: Random) -> bytes:
    """Make one field, name or line enormous."""
    at = _place(content, random)
    filling = random.choice((b"a", b"9", b" ", b"\x00", b'"', b"0 "))
    return content[:at] + filling * random.choice((300, 70_000, 1_000_000)) + content[at:]


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits,
    cut,
    splice,
    graft,
    repeat,
    change_number,
    change_digits,
    add_rubbish,
    add_bytes,
    nest,
    encode_wrongly,
    mix_lines,
    join_lines,
    lengthen,
)


#: What leaves most of a file as it was.
GENTLE: tuple[Mutation, ...] = (change_number, change_digits, mix_lines, flip_bits)


def spoil(content: bytes, other: bytes, seed: int) -> tuple[bytes, str]:
    """Spoil a file; give the spoilt bytes, and what was done to them.

    One in three is spoilt gently, so that not all is refused at the door.
    """
    random = Random(seed)
    done = []
    gentle = random.randrange(3) == 0
    for _ in range(1 if gentle else random.choice((1, 1, 1, 2, 3, 5))):
        mutation = random.choice(GENTLE if gentle else MUTATIONS)
        content = mutation(content, other, random)[:MOST]
        done.append(mutation.__name__)
    return content, "+".join(done)


def spoil_packed(packed: bytes, seed: int) -> bytes:
    """Spoil a file after it was packed: one in four, and then by a cut or by bits."""
    random = Random(~seed)
    if random.randrange(4):
        return packed
    mutation = random.choice((cut, flip_bits, graft))
    return mutation(packed, packed, random)[:MOST]
