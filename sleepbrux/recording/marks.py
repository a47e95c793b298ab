"""What the texts of marks mean: lights, clench cues, rest, synchronisation, sleep stages."""

from __future__ import annotations

import difflib
import re
import unicodedata
from functools import lru_cache
from typing import Literal

MarkKind = Literal["lights_off", "lights_on", "clench", "rest", "sync", "stage", ""]
LightsKind = Literal["lights_off", "lights_on", "lights_off or on", ""]

# A mark in every half second of a night of 13 h; above it they are measurements, and no marks.
MOST_MARKS = 100_000
LONGEST_TEXT = 200
TOO_MANY = (
    f"there are more than {MOST_MARKS} marks, the most that are read; these are values and no marks of a"
    " night: export the recording without them"
)

_LIGHT = r"(?:lights?|lts?|licht(?:er)?|lumieres?|luces|luz|luci|luce)"
_KINDS: tuple[tuple[MarkKind, re.Pattern[str]], ...] = (
    (
        "lights_off",
        re.compile(
            rf"\b{_LIGHT} ?(?:are |is |were )?(?:switched |turned )?(?:off|out|aus\w*|eteintes?|"
            r"apagadas?|spent[ea]|uit)\b|^l ?off$|消灯"
        ),
    ),
    (
        "lights_on",
        re.compile(
            rf"\b{_LIGHT} ?(?:are |is |were )?(?:switched |turned )?(?:on|an|ein\w*|allumees?|"
            r"encendidas?|acces[ea]|aan)\b|^l ?on$|点灯"
        ),
    ),
    (
        "clench",
        re.compile(
            r"\bclench\w*|\bmvi?c\d*\b|\bmax\w* (?:voluntary )?(?:bit\w*|contraction|occlusion)|"
            r"\bbite (?:down|hard|test)|\b(?:zu|zusammen)?beiss\w*|\bkieferpress\w*|\bserrage|"
            r"\bapretar|\bserramento"
        ),
    ),
    ("rest", re.compile(r"\brest(?:ing)?\b|\brelax\w*|\bbaseline|\bruhe\w*|\brepos\w*|\briposo")),
    ("sync", re.compile(r"\bsync\w*")),
)
_CLENCH_ENDS = re.compile(r"\b(?:end|stop|stopped|over|release\w*|ende|fin)\b|\bunclench")
_TWO_LIGHTS = re.compile(rf"\b{_LIGHT} ?(?:on|off|out) (?:and |or )?(?:on|off|out)\b")
_STAGE = re.compile(
    r"(?:sleep )?(?:stage|stadium|schlafstadium)(?: (?:[wrm0-5]|wake|awake|n ?[1-4]|s ?[0-4]|"
    r"n?rem ?[1-4]?|mt|movement(?: time)?|unknown|unscored|not scored))?"
    r"|[wr]|wake|awake|n ?[1-3]|s ?[1-4]|n?rem ?[1-4]?|sleep (?:s[0-4]|n[1-3]|rem|mt|unscored)"
    r"|movement time|unscored|not scored"
)
_SPELLINGS = {
    "lights off": "lights_off",
    "light off": "lights_off",
    "lights out": "lights_off",
    "light out": "lights_off",
    "licht aus": "lights_off",
    "lights on": "lights_on",
    "light on": "lights_on",
    "licht an": "lights_on",
    "luces apagadas": "lights_off",
    "luces encendidas": "lights_on",
    "luci spente": "lights_off",
    "luci accese": "lights_on",
    "lumieres eteintes": "lights_off",
    "lumieres allumees": "lights_on",
    "licht uit": "lights_off",
    "licht aan": "lights_on",
}
_NEAR = 0.78
_CLEARLY_NEARER = 0.05
_SIGNS = {s: str.maketrans("", "", "".join(set(s))) for s in _SPELLINGS}
_CACHED = 1 << 17  # the texts of one night


def plain_words(text: str) -> str:
    """Lower case without accents, signs as blanks, ``camelCase`` split."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    decomposed = unicodedata.normalize("NFKD", words.casefold())
    letters = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^\w]|_", " ", letters).split())


@lru_cache(_CACHED)
def classify(text: str) -> MarkKind:
    """What the first 200 characters of a mark say; ``""`` where it is none of these things or two of them.

    The end of a clench ("clench stop") is no clench; a clench with an anterior stop is one. Lights
    have many spellings and languages; misspelt ones are not accepted here, see `suggest`.

    Examples
    --------
    >>> classify("LIGHTS-OFF"), classify("Licht aus"), classify("Sleep stage N2"), classify("cough")
    ('lights_off', 'lights_off', 'stage', '')
    """
    plain = plain_words(text[:LONGEST_TEXT])
    if _STAGE.fullmatch(plain):
        return "stage"
    kinds = [kind for kind, pattern in _KINDS if pattern.search(plain)]
    if _TWO_LIGHTS.search(plain):
        return ""
    if "clench" in kinds and _CLENCH_ENDS.search(plain.partition(" with ")[0]):
        return ""
    return kinds[0] if len(kinds) == 1 else ""


def _may_be_near(plain: str) -> bool:
    """Whether enough letters of a text stand in some spelling for the two to be alike."""
    n = len(plain)
    return any(
        2 * min(n - len(plain.translate(other)), len(s)) >= _NEAR * (n + len(s))
        for s, other in _SIGNS.items()
    )


@lru_cache(_CACHED)
def suggest(text: str) -> LightsKind:
    """Lights mark that a text may be a misspelling of; to ask the user about, never to act upon.

    Examples
    --------
    >>> suggest("Ligths of"), suggest("lights o"), suggest("lights off"), suggest("snoring")
    ('lights_off', 'lights_off or on', '', '')
    """
    if classify(text):
        return ""
    plain = plain_words(text[:LONGEST_TEXT])
    if not _may_be_near(plain):
        return ""
    best: dict[str, float] = {"lights_off": 0.0, "lights_on": 0.0}
    for spelling, kind in _SPELLINGS.items():
        ratio = difflib.SequenceMatcher(None, plain, spelling).ratio()
        best[kind] = max(best[kind], ratio)
    off, on = best["lights_off"], best["lights_on"]
    if max(off, on) < _NEAR:
        return ""
    begun = {kind for spelling, kind in _SPELLINGS.items() if spelling.startswith(plain)}
    if len(begun) > 1 or abs(off - on) < _CLEARLY_NEARER:
        return "lights_off or on"
    return "lights_off" if off > on else "lights_on"
