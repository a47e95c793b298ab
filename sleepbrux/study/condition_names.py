"""Names of conditions: which mean no appliance, and which may be spellings of one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from difflib import SequenceMatcher

from sleepbrux.study.file import NO_APPLIANCE

# what a name begins with, or is, that means no appliance; whole words, without accents and capitals
_NONE_FIRST = """
no non not none nothing nil without
ohne kein keine keiner keinen keines nichts nix
sans aucun aucune rien pas
sin ninguno ninguna ningun nada
senza nessuno nessuna nessun niente nulla
geen zonder niets
sem nenhum nenhuma nao
bez
"""
NONE_FIRST = frozenset(_NONE_FIRST.split())
NONE_WHOLE = {
    "na",
    "off",
    "natural",
    "natural teeth",
    "baseline",
    "control",
    "0",
    "leer",
    "kontrolle",
    "naturliche zahne",
    "dents naturelles",
    "dientes naturales",
    "denti naturali",
    "natuurlijke tanden",
    "dentes naturais",
}
ALIKE = 0.85


def _words(name: str) -> list[str]:
    """Words of a name without accents, capitals and signs."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    return re.findall(r"[^\W_]+", "".join(c for c in plain if not unicodedata.combining(c)))


def means_none(name: str) -> bool:
    """Whether a condition reads like "no appliance" and is not written so.

    Examples
    --------
    >>> [means_none(name) for name in ("None", "no splint", "-", "none", "normal splint", "pas de gouttière")]
    [True, True, True, False, False, True]
    """
    words = _words(name)
    if name == NO_APPLIANCE:
        return False
    return not words or words[0] in NONE_FIRST or bool({" ".join(words), "".join(words)} & NONE_WHOLE)


def alike(one: str, other: str) -> bool:
    """Whether two names may be spellings of one: other letters or order, or a leading word more.

    Examples
    --------
    >>> alike("night guard", "Nightguard"), alike("guard 1", "guard 2"), alike("splint", "guard")
    (True, False, False)
    >>> alike("guard", "night guard"), alike("guard", "2 guard"), alike("upper guard", "lower guard")
    (True, False, False)
    """
    a, b = _words(one), _words(other)
    if "".join(a) == "".join(b) or sorted(a) == sorted(b):
        return True
    shorter, longer = sorted((a, b), key=len)
    if shorter and longer[1:] == shorter and len(longer[0]) > 1 and not longer[0].isdecimal():
        return True  # a leading word more: "guard", "night guard"
    # a number, or a letter that stands alone, is what tells two appliances apart
    marks = [[w for w in words if len(w) == 1 or w.isdecimal()] for words in (a, b)]
    if marks[0] != marks[1]:
        return False
    return SequenceMatcher(None, "".join(a), "".join(b), autojunk=False).ratio() >= ALIKE


def near_names(name: str, known: Sequence[str]) -> list[str]:
    """Names in use of which another may be a spelling."""
    return [other for other in known if other not in (name, NO_APPLIANCE) and alike(name, other)]
