"""Ways to bend a valid input: bytes, cells, and values of nested tables."""

from __future__ import annotations

import copy
import csv
import io
import random
from collections.abc import Callable, Sequence
from datetime import date, datetime, time
from typing import Any

import tomlkit

from tests.core.test_fuzz_texts import bent as bent_text

TEXTS = [
    "", " ", "\t", "\n", "x", "none", "own", "nan", "inf", "-0", "0", "1e308", "-1", "1/0", "true", "é" * 40,
    "\u202eabc\u202c", "שלום", "مرحبا", "\x00", "\x1b[31m", "\x7f", "\u200b", "\ufeffx", "\ud7ff", "\uffff",
    "../../etc/passwd", "..", "/", "C:\\x", "con", "a/b", "a" * 81, "a" * 301, "a" * 5000, "=1+1",
    "<script>", "&amp;", "{{1}}", "{% x %}", "#raw(1)", "$x$", "\\u0000", "%s%n", "'\"", "1979-05-27",
    "24:00:00", "23:59:60", "２３", "½", "𝟙𝟚", "\u2028", "e0", "b1", "n1", "r1", "🦷" * 9, "ﬁ", "İ", "ß",
    "1_0", "0x1f", "1,5", "+5", "5.", ".5", "٣", "\r", "\r\n", "a\x85b", "N2", "W", "REM", "clench", "sync",
    "Lights off", "lights on", "phasic", "tonic", "splint", "supine",
]  # fmt: skip
NUMBERS: list[Any] = [
    0, -0.0, 0.0, 1, -1, 2, 3, 7, 10, 0.5, 1e-9, 1e-300, 5e-324, 1e9, 1e15, 1e300, 1e308, -1e308, -1e-9,
    2**31, 2**53 + 1, 2**63 - 1, -(2**63), 10**18, 255, 256, 65536, 99999, 0.1 + 0.2, 3.0000000001, 86400,
]  # fmt: skip
ODD = [float("nan"), float("inf"), float("-inf")]
MOMENTS = [date(1, 1, 1), date(9999, 12, 31), time(0), time(23, 59, 59, 999999), datetime(2026, 3, 2, 23, 5)]


def odd_value(old: Any, rng: random.Random, *, moments: bool = True) -> Any:
    """Another value in the place of one: of its own kind, or of another."""
    way = rng.randrange(10)
    if isinstance(old, bool) and way < 5:
        return not old
    if isinstance(old, int | float) and not isinstance(old, bool) and way < 6:
        near = [
            -old,
            old + 1,
            old - 1,
            old * 1000,
            old / 1000,
            old * 1.000001,
            float(old),
            -old - 1,
            1e6 * old,
        ]
        return rng.choice([*near, *NUMBERS])
    if isinstance(old, str) and way < 6:
        change = [
            old.upper(),
            old + " ",
            old * 40,
            old[:1],
            old[::-1],
            old + "\u200b",
            f" {old}",
            old + "\x00",
        ]
        return rng.choice([*change, *TEXTS])
    if isinstance(old, list) and way < 6:
        deep: list[Any] = []
        for _ in range(rng.choice([2, 15, 40])):
            deep = [deep]
        other = [[], old * 2, old * 300, old[:1], old[::-1], [old], deep, [*old, rng.choice(TEXTS)]]
        return copy.deepcopy(rng.choice(other))
    if isinstance(old, dict) and way < 6:
        return copy.deepcopy(rng.choice([{}, {"x": old}, dict.fromkeys(old, ""), [old], list(old)]))
    return rng.choice(
        [*TEXTS, *NUMBERS, *ODD, [], {}, [1], [[]], [[1, 2], [3]], True, False, *MOMENTS * moments]
    )


def places(value: Any) -> list[tuple[Any, Any]]:
    """(container, key) of every value in nested tables."""
    found: list[tuple[Any, Any]] = []
    waiting = [value]
    while waiting:
        one = waiting.pop()
        keys = list(one) if isinstance(one, dict) else range(len(one)) if isinstance(one, list) else []
        for key in keys:
            found.append((one, key))
            waiting.append(one[key])
    return found


def bent_table(table: Any, rng: random.Random, *, moments: bool = True) -> Any:
    """A copy of nested tables in which one to three things are dropped, doubled, renamed or replaced."""
    table = copy.deepcopy(table)
    for _ in range(rng.choice([1, 1, 2, 3])):
        spots = places(table)
        if not spots:
            return table
        box, key = rng.choice(spots)
        way = rng.randrange(8)
        if way == 0:
            del box[key]
        elif way == 1 and isinstance(box, dict):
            box[rng.choice([key + "s", key.upper(), rng.choice(TEXTS), "x"])] = box.pop(key)
        elif way == 1:
            box.insert(key, copy.deepcopy(box[key]))
        elif way == 2:  # a value from elsewhere in the same file
            other, at = rng.choice(spots)
            box[key] = copy.deepcopy(other[at])
        elif way == 3 and isinstance(box, dict):
            box[rng.choice(TEXTS)] = odd_value(box[key], rng, moments=moments)
        else:
            box[key] = odd_value(box[key], rng, moments=moments)
    return table


def toml_bent(text: bytes, rng: random.Random) -> bytes:
    """A TOML text bent as tables, or as text."""
    if rng.random() < 0.35:
        return bent_text(text, rng)
    table = bent_table(tomlkit.parse(text.decode("utf-8")).unwrap(), rng)
    try:
        out = tomlkit.dumps(table)
    except Exception:  # what TOML cannot hold
        return bent_text(text, rng)
    return out.encode("utf-8", "surrogatepass")


def table_bent(text: bytes, rng: random.Random) -> bytes:  # noqa: C901, PLR0912  one branch a way
    """A table of cells bent in its rows, columns and cells, or as text."""
    if rng.random() < 0.3:
        return bent_text(text, rng)
    head = text.split(b"\n", 1)[0]
    separator = max(",;\t", key=head.decode("utf-8").count)
    rows = [row for row in csv.reader(io.StringIO(text.decode("utf-8")), delimiter=separator) if row]
    for _ in range(rng.choice([1, 1, 2, 4])):
        if not rows:
            break
        k = rng.randrange(len(rows))
        j = rng.randrange(max(len(rows[0]), 1))
        way = rng.randrange(12)
        if way == 0:
            del rows[k]
        elif way == 1:
            rows[k:k] = [list(rows[k])] * rng.choice([1, 2, 300])
        elif way == 2:
            rows = [row[:j] + row[j + 1 :] for row in rows]
        elif way == 3:
            rows = [[*row, *row[j : j + 1]] for row in rows]
        elif way == 4:
            rng.shuffle(rows[1:] if rng.random() < 0.5 else rows)
        elif way == 5:
            rows[k] = rows[k][:j]
        elif way == 6:
            rows = [list(row) for row in rows]
            for row in rows[1:]:
                if j < len(row):
                    row[j] = rows[-1][j] if j < len(rows[-1]) else ""
        elif way == 7:
            separator = rng.choice([",", ";", "\t"])
        elif rows[k]:
            row = list(rows[k])
            j = min(j, len(row) - 1)
            row[j] = str(odd_value(_number(row[j]), rng))
            rows[k] = row
    out = io.StringIO()
    ends = rng.choice(["\n", "\n", "\r\n"])
    try:
        csv.writer(out, delimiter=separator, lineterminator=ends).writerows(rows)
    except csv.Error:
        return bent_text(text, rng)
    return out.getvalue().encode(rng.choice(["utf-8", "utf-8", "utf-8", "utf-16", "latin-1"]), "replace")


def _number(cell: str) -> Any:
    try:
        return float(cell)
    except ValueError:
        return cell


def bytes_bent(data: bytes, rng: random.Random) -> bytes:
    """Bytes replaced, cut, doubled or filled; most of them near the beginning."""
    bad = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 3])):
        size = max(len(bad), 1)
        at = rng.randrange(min(size, 1500) if rng.random() < 0.6 else size)
        n = rng.choice([1, 1, 2, 4, 8, 64])
        way = rng.randrange(7)
        if way <= 2:
            bad[at : at + n] = bytes(rng.choice([0, 1, 127, 128, 255, rng.randrange(256)]) for _ in range(n))
        elif way == 3:
            bad[at:at] = bad[at : at + n]
        elif way == 4:
            del bad[at : at + n]
        elif way == 5 and rng.random() < 0.3:
            del bad[at:]
        else:
            bad[at : at + n] = rng.randbytes(n)
    return bytes(bad)


def choice_of(ways: Sequence[Callable[[random.Random], bytes]], rng: random.Random) -> bytes:
    return rng.choice(ways)(rng)
