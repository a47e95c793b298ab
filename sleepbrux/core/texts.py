"""Words for people: what others wrote as it may be shown, and how many of a thing there are."""

from __future__ import annotations

import unicodedata
from pathlib import PurePath


def _is_seen(sign: str) -> bool:
    return sign.isprintable() or unicodedata.category(sign) == "Zs"


def _escaped(sign: str) -> str:
    code = ord(sign)
    if 0xDC80 <= code <= 0xDCFF:  # Python's stand-in for a byte of a file name that is no UTF-8
        return f"\\x{code - 0xDC00:02x}"
    units = sign.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[k : k + 2].hex()}" for k in range(0, len(units), 2))


def visible(text: str, keep: str = "") -> str:
    r"""A text in which every control, bidi mark and other unseen character is written as an escape.

    The escapes are those of JSON, so that a JSON text stays one with the same values. Bytes of a file name
    that are no UTF-8 become ``\xNN``.

    Parameters
    ----------
    keep
        Unseen characters that may stay, such as line feeds.

    Examples
    --------
    >>> visible("P01\x1b[2J"), visible("n\udcff.edf"), visible("a\u202eb"), visible("µV\u2009–")
    ('P01\\u001b[2J', 'n\\xff.edf', 'a\\u202eb', 'µV\u2009–')
    """
    if text.isprintable():
        return text
    return "".join(c if c in keep or _is_seen(c) else _escaped(c) for c in text)


def printable(text: str) -> str:
    r"""A label or a mark in which unseen characters are blanks, without blanks around it.

    Examples
    --------
    >>> printable(" EMG\x00L\u202e ")
    'EMG L'
    """
    return "".join(c if c.isprintable() else " " for c in text).strip()


def file_name(path: PurePath) -> str:
    r"""The last part of a path as a message or a result may hold it.

    Examples
    --------
    >>> file_name(PurePath("in/n\udcff.edf"))
    'n\\xff.edf'
    """
    return visible(path.name)


def unseen(text: str, allowed: str = "") -> str:
    r"""The first control character of a text, written out; empty where it has none.

    Examples
    --------
    >>> unseen("P01"), unseen("P\x0001"), unseen("one\ntwo", allowed="\n")
    ('', '\\u0000', '')
    """
    sign = next((c for c in text if unicodedata.category(c) in ("Cc", "Cs") and c not in allowed), "")
    return _escaped(sign) if sign else ""


def count_of(n: int, singular: str, plural: str = "") -> str:
    """A count with its noun: ``"1 episode"``, ``"34 episodes"``."""
    return f"{n} {singular if n == 1 else plural or singular + 's'}"
