"""Words for people: what others wrote as it may be shown, and how many of a thing there are."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from pathlib import PurePath

_HYPHENS = re.compile("[\u2010-\u2015\u2212\ufe58\ufe63\uff0d]")


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


def sentence(text: str) -> str:
    """A text with a capital at its beginning and a full stop at its end; a name or label there stays as it is.

    Examples
    --------
    >>> sentence("the clock went back"), sentence("Lost?"), sentence("splint: worn for 3 days."), sentence("")
    ('The clock went back.', 'Lost?', 'splint: worn for 3 days.', '')
    """
    first = f"{text[0].upper()}{text[1:]}" if re.match("[a-z]+(?=[ ,;]|$)", text) else text
    return first if not first or first.endswith((".", "?", "!", ":")) else f"{first}."


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
    return _first_of(text, ("Cc", "Cs"), allowed)


def unseen_in_name(name: str) -> str:
    r"""The first character of a name that cannot be seen, one of no width among them, written out.

    Examples
    --------
    >>> unseen_in_name("P01"), unseen_in_name("P\u200b01")
    ('', '\\u200b')
    """
    return _first_of(name, ("Cc", "Cs", "Cf"))


def _first_of(text: str, kinds: tuple[str, ...], allowed: str = "") -> str:
    sign = next((c for c in text if unicodedata.category(c) in kinds and c not in allowed), "")
    return _escaped(sign) if sign else ""


def plain_name(text: str) -> str:
    r"""A name in the one form in which names are compared and printed.

    Letters with accents are one sign each (Unicode NFC), every kind of hyphen or minus is ``-``, every run of
    blanks is one blank, and none stands outside.

    Examples
    --------
    >>> plain_name(" Anna\u20111 "), plain_name("Mu\u0308ller\u00a0 2")
    ('Anna-1', 'Müller 2')
    """
    return " ".join(_HYPHENS.sub("-", unicodedata.normalize("NFC", text)).split())


def twins(names: Iterable[str]) -> tuple[str, str] | None:
    """Two names that differ only in case, blanks, the width of signs or zeros of a number; None where none do.

    Examples
    --------
    >>> twins(["P1", "P2", "p1"]), twins(["01", "1.0"]), twins(["P1", "P-1", "P11"])
    (('P1', 'p1'), ('01', '1.0'), None)
    """
    seen: dict[str, str] = {}
    for name in dict.fromkeys(names):
        same = unicodedata.normalize("NFKC", plain_name(name)).casefold().replace(" ", "")
        same = re.sub(r"(?<![\d.])0*(\d+)(?:\.0+)?(?![\d.])", r"\1", same)
        if same in seen:
            return seen[same], name
        seen[same] = name
    return None


def count_of(n: int, singular: str, plural: str = "") -> str:
    """A count with its noun: ``"1 episode"``, ``"34 episodes"``."""
    return f"{n} {singular if n == 1 else plural or singular + 's'}"
