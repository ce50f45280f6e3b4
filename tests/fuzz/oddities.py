"""Random odd values, and random mutations of texts and bytes."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from random import Random

# fmt: off
TEXTS = (
    "", " ", "-", "null", "NaN", "inf", "-Infinity", "true", "0x10", "1_000", "1,5", "1 000", "+1", "1.", ".5", "1e5",
    "1e400", "-1e400", "1e-400", "1e1000000", "-1e1000000", "1e-1000000", "1e9999999999999999999", "9" * 400,
    "9" * 5_000, "\uff11\uff12", "\u0663", "\u22121", "\u00a01", "1\n2", "1\x00", "\x1b[31mred", "\ud800", "\u202eabc",
    "e\u0301" * 20, "\U0001f642", "\u0130", "2024-02-30T00:00:00Z", "0000-01-01T00:00:00Z", "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59-23:59", "2024-01-02T03:04:05+99:00", "2024-01-02T24:00:00Z", "2024-W01-1", "20240102",
    "2024-01-02", "10:00", "-1-1-1", "24/7", "15m", "HRB", "MLL", "x" * 300, "a.b", "a,b;c\td", '"', "'", "\\",
    "{symbol}", "%s{}", "../../x", "[", "{",
)
NUMBERS = (
    0, -0.0, 1, -1, 0.1, 5e-324, 1e27, -1e27, 1e300, 1.7e308, -1.7e308, 2**31, 2**53 + 1, 2**63 - 1, 2**63, -(2**63),
    2**64, 10**18, 10**19, 10**30, 10**308, 10**400, -(10**400), 253_402_300_800, 9_223_372_036, 9_223_372_037,
)
LITERALS = ("1e400", "-1e999999", "NaN", "Infinity", "-Infinity", "1" + "0" * 5_000, "1E+2", "01", "+1", ".5", "0x1f")
"""Texts that no Python value is written as."""
SLIPS = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\r", b"\n", b"\n\n", b'"', b",", b";", b"\t", b"{", b"}", b"[",
    b"]",
)
# fmt: on
MARK = "\ue000"
"""Stands around a text that ``written`` puts into JSON as it is."""
_LITERAL = re.compile(rf'"{MARK}((?:[^"\\]|\\.)*){MARK}"')


def nested(random: Random) -> str:
    """Give the JSON of a deeply nested value, often so deep that it can just be read and no longer be written."""
    depth = random.choice((2, 300, random.randrange(900, 1_000), random.randrange(900, 1_000), 1_000, 5_000, 50_000))
    begin, end = random.choice((("[", "]"), ('{"a":', "}"), ('[{"a":', "}]")))
    return begin * depth + "1" + end * depth


def odd(random: Random) -> Any:  # noqa: ANN401 - JSON
    """Give an odd value for JSON, to be written by ``written``."""
    sort = random.random()
    if sort < 0.35:
        return random.choice(NUMBERS)
    if sort < 0.7:
        return random.choice(TEXTS)
    if sort < 0.78:
        return f"{MARK}{random.choice(LITERALS)}{MARK}"
    if sort < 0.82:
        return f"{MARK}{nested(random)}{MARK}"
    if sort < 0.92:
        return random.choice((None, True, False, [], {}, [[]], [None], {"": None}))
    return [odd(random) for _ in range(random.randint(1, 3))] if random.random() < 0.5 else {"time": odd(random)}


def written(value: object) -> str:
    """Write a value with odd ones in it as JSON."""
    return _LITERAL.sub(lambda found: str(json.loads(f'"{found[1]}"')), json.dumps(value, ensure_ascii=False))


def mutate_json(random: Random, value: Any) -> Any:  # noqa: ANN401 - JSON
    """Change one place of a decoded value in place; gives the value."""
    slots = list(_slots(value))
    if not slots or random.random() < 0.03:
        return random.choice((odd(random), [value], {"data": value}, [value, value]))
    at, key = random.choice(slots)
    other, its = random.choice(slots)
    match random.randrange(9):
        case 0 | 1 | 2 | 3:
            at[key] = odd(random)
        case 4 if not isinstance(at[key], dict | list) and not isinstance(other[its], dict | list):
            at[key], other[its] = other[its], at[key]
        case 5:
            del at[key]
        case 6:
            at[key] = random.choice(([at[key]], {"value": at[key]}, str(at[key]), [at[key]] * 3))
        case 7 if isinstance(at, dict):
            at[random.choice((*at, "", "time", "TIME", "time ", "of", "a" * 300))] = at.pop(key)
        case 8 if isinstance(at, list):
            at[key:key] = [at[key]] * random.choice((1, 2, 50))
        case _:
            at[key] = random.choice(TEXTS)
    return value


def _slots(value: Any) -> Any:  # noqa: ANN401 - JSON, and an iterator of places in it
    """Give the places in a value: the list or object, and the index or key."""
    if isinstance(value, dict | list):
        for key in value if isinstance(value, dict) else range(len(value)):
            yield value, key
            yield from _slots(value[key])


def mutate_bytes(random: Random, content: bytes) -> bytes:
    """Change one place of some bytes."""
    at, end = sorted(random.randrange(len(content) + 1) for _ in range(2))
    end = min(end, at + random.choice((1, 4, 40, 4_000)))
    begin, part, rest = content[:at], content[at:end], content[end:]
    flipped = bytearray(part)
    for place in random.sample(range(len(part)), min(len(part), random.choice((1, 1, 8)))):
        flipped[place] ^= 1 << random.randrange(8)
    added = random.choice((b"\x00" * 100, content, b"]", b"}", b"\n,,,\n", random.randbytes(20)))
    return random.choice(
        (
            begin,
            begin + rest,
            begin + part * random.choice((2, 4)) + rest,
            begin + random.choice(SLIPS) + part + rest,
            begin + random.choice(TEXTS).encode("utf-8", "surrogatepass") + rest,
            begin + random.randbytes(len(part)) + rest,
            begin + bytes(flipped) + rest,
            content + added,
        )
    )


def recoded(random: Random, content: bytes) -> bytes:
    """Write text in another encoding, or with other line ends."""
    text = content.decode("utf-8", "replace")
    coding = random.choice(("utf-16", "utf-16-le", "utf-32", "latin-1", "utf-8-sig", "utf-7", "cp037", "CRLF", "CR"))
    if coding in {"CRLF", "CR"}:
        return text.replace("\n", "\r\n" if coding == "CRLF" else "\r").encode()
    return text.encode(coding, "replace")
