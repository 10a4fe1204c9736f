"""Files that are nearly right: seeds, changed here and there, the same for the same number.

In:  the bytes of whole files, words that such files hold, a number.
Out: bytes.
Not here: what is done with them (`fuzz_text.py`, `fuzz_clip.py`).
"""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence

# Numbers and signs at which readers stumble.
WORDS = (
    b"", b"0", b"-0", b"-1", b"1e308", b"1e999", b"-1e-400", b"nan", b"inf", b"-Infinity", b"NaN", b"1_000", b"0x10",
    b"9" * 30, b"9" * 400, b"0.1.2", b"true", b"null", b"[]", b"{}", b'""', b"'", b'"', b",", b";", b"\t", b"\n",
    b"\r", b"\r\n", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", "²٣½".encode(), b"=", b"#", b"[" * 50,
    b"[[", b"]]", b"{" * 50, b"\\", b"\\u0000", b"\\ud800", b"a" * 300, b"/dev/stdin", b"../..", b"1979-05-27",
)  # fmt: skip
INTEGERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 30_000_000)


def mutated(seeds: Sequence[bytes], words: Sequence[bytes], number: int, most_bytes: int = 100_000) -> bytes:
    """A seed with one to six changes.

    Parameters
    ----------
    seeds : sequence of bytes
    words : sequence of bytes
        Besides `WORDS`.
    number : int
        Which one.
    most_bytes : int
        Longer ones are cut.

    Returns
    -------
    bytes
    """
    rng = random.Random(number)
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        rng.choice((_flip, _word, _word, _integer, _cut, _repeat, _splice, _line))(data, at, rng, seeds, words)
    return bytes(data[:most_bytes])


def _flip(data: bytearray, at: int, rng: random.Random, *_: Sequence[bytes]) -> None:
    data[at : at + 1] = bytes([rng.randrange(256)])


def _word(data: bytearray, at: int, rng: random.Random, _seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    data[at : at + rng.choice((0, 1, 4, 12))] = rng.choice((*WORDS, *words))


def _integer(data: bytearray, at: int, rng: random.Random, *_: Sequence[bytes]) -> None:
    data[at : at + 4] = struct.pack(rng.choice((">I", "<I")), rng.choice(INTEGERS))


def _cut(data: bytearray, at: int, rng: random.Random, *_: Sequence[bytes]) -> None:
    del data[at : at + rng.choice((1, 1, 2, 8, 40, len(data)))]


def _repeat(data: bytearray, at: int, rng: random.Random, *_: Sequence[bytes]) -> None:
    part = bytes(data[at : at + rng.choice((1, 4, 20, 200))])
    data[at:at] = part * rng.choice((1, 1, 2, 50))


def _splice(data: bytearray, at: int, rng: random.Random, seeds: Sequence[bytes], _words: Sequence[bytes]) -> None:
    other = rng.choice(seeds)
    start = rng.randrange(len(other) + 1)
    data[at : at + rng.choice((0, 30))] = other[start : start + rng.choice((1, 10, 100))]


def _line(data: bytearray, at: int, rng: random.Random, *_: Sequence[bytes]) -> None:
    """A line, moved to another place."""
    lines = data.split(b"\n")
    line = lines.pop(rng.randrange(len(lines)))
    lines.insert(rng.randrange(len(lines) + 1), line)
    data[:] = b"\n".join(lines)
