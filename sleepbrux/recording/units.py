"""Units of voltage in the spellings that files carry, and their size in µV."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal, NamedTuple

MICROVOLTS = {
    "nv": Fraction(1, 1000),
    "uv": Fraction(1),
    "mv": Fraction(1000),
    "v": Fraction(1_000_000),
}
UNIT_NAMES = ("uV", "mV", "nV", "V")

_ALIASES = {
    "microv": "uv",
    "micro v": "uv",
    "microvolt": "uv",
    "microvolts": "uv",
    "uvolt": "uv",
    "uvolts": "uv",
    "mcv": "uv",
    "millivolt": "mv",
    "millivolts": "mv",
    "mvolt": "mv",
    "mvolts": "mv",
    "nanovolt": "nv",
    "nanovolts": "nv",
    "nvolt": "nv",
    "volt": "v",
    "volts": "v",
}

# Bytes that stand for the micro sign; the first three are the sign as Latin-1 and UTF-8 write it.
_MICRO_SIGNS = (b"\xc2\xb5", b"\xce\xbc", b"\xb5", b"\x83\xca", b"\xe6")
_COMMON_SIGNS = 3


class Unit(NamedTuple):
    """A unit of voltage read from bytes.

    Attributes
    ----------
    microvolts
        Size of one unit in µV.
    spelling
        ``"plain"`` as the standard writes it, ``"sign"`` with a micro sign, ``"odd"`` otherwise.
    """

    microvolts: Fraction
    spelling: Literal["plain", "sign", "odd"]


def read_unit(raw: bytes) -> Unit | None:
    """Unit of voltage that ``raw`` spells, None where it spells none.

    Examples
    --------
    >>> read_unit(b"mV      ")
    Unit(microvolts=Fraction(1000, 1), spelling='plain')
    >>> read_unit(b"degC    ") is None
    True
    """
    stripped = raw.strip(b" \0\t")
    if stripped.decode("latin-1") in UNIT_NAMES and raw.strip(b" ") == stripped:
        return Unit(MICROVOLTS[stripped.decode("ascii").lower()], "plain")
    spelling: Literal["sign", "odd"] = "odd"
    for rank, sign in enumerate(_MICRO_SIGNS):
        if stripped.startswith(sign):
            spelling = "sign" if rank < _COMMON_SIGNS and stripped == sign + b"V" else "odd"
            stripped = b"u" + stripped[len(sign) :]
            break
    word = stripped.decode("latin-1").casefold().strip("[]() ")
    size = MICROVOLTS.get(_ALIASES.get(word, word))
    return None if size is None else Unit(size, spelling)
