"""Spoils bytes at random: the same number gives the same spoilt input on every machine.

Knows nothing of what the bytes mean, but for a few pieces that readers trip over.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

MOST_CHANGES = 6
LONGEST_BYTES = 1 << 16

AWKWARD = (
    b"\x00", b"\xff", b"\xff\xfe", b"\xed\xa0\x80", b"\xe2\x80\xa8", b"\r\n", b"\n", b"\t", b" ",
    b'"', b"'", b"\\", b"{", b"}", b"[", b"]", b":", b",", b"-", b"&a ", b"*a", b"!!python/name:os",
    b"? ", b"| ", b"> ", b"#", b"%", b"<<: ", b"---\n", b"...\n", b"~", b"null", b"true", b"NaN",
    b"-Infinity", b"1e999", b"0", b"-1", b"2147483648", b"9007199254740993", b"9" * 400, b"0x1f",
    b"1_000", b"12:30:45", b"2020-01-01", b"\\ud800", b"\\u0000", "ﷺ".encode(), "é̂".encode(),
    "\u202e".encode(), "🏮".encode(), b"_", b"|", b"||", b"|9s|", b"{arm}", b"[" * 200, b"{" * 200,
    b"\x7f\xff\xff\xff", b"\x80\x00\x00\x00", b"\xff\xff\xff\xff", b"RIFF", b"data", b"fmt ",
)  # fmt: skip


def spoilt(good: Sequence[bytes], name: str, seed: int, number: int) -> bytes:
    """Spoilt input ``number``, made of one or two of the good ones."""
    chance = random.Random(f"{seed} {name} {number}")
    data = bytearray(chance.choice(good))
    for _ in range(chance.randint(1, MOST_CHANGES)):
        _change(data, good, chance)
    return bytes(data[:LONGEST_BYTES])


def _change(data: bytearray, good: Sequence[bytes], chance: random.Random) -> None:
    at = chance.randint(0, len(data))
    end = min(len(data), at + 1 + int(chance.expovariate(0.1)))
    match chance.randrange(9):
        case 0 if at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        case 1 if at < len(data):
            data[at] = chance.randrange(256)
        case 2:
            del data[at:end]
        case 3:
            data[at:at] = data[at:end]
        case 4 | 5:
            data[at:at] = chance.choice(AWKWARD)
        case 6:
            data[at:end] = chance.choice(AWKWARD)
        case 7:
            other = chance.choice(good)
            start = chance.randint(0, len(other))
            data[at:end] = other[start : start + 1 + int(chance.expovariate(0.02))]
        case 8 if chance.random() < 0.2:
            del data[at:]
        case _:
            data[at:at] = bytes(chance.randrange(256) for _ in range(chance.randint(1, 4)))
