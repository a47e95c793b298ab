"""Words that no reader should meet, and how a text is searched for them.

One list for pages, letter, sheets, command line, documentation and notebooks. The terms themselves are in
``sleepbrux/docs/glossary.md``: where an entry there ends with "Not: ...", those words are refused too.

>>> refused("It stands on 2 channels, 3-5 night(s).")
['stands on: write based on', '3-5: write an en dash', 'night(s): write the plural or the singular']
"""

from __future__ import annotations

import re
from pathlib import Path

GLOSSARY = Path(__file__).resolve().parents[1] / "sleepbrux" / "docs" / "glossary.md"
MOST_WORDS = 25  # of a sentence that is read first

# a pattern (white space stands for any), and what is written instead
INSTEAD = {
    # metaphors of our own
    r"(?:it|what) (?:\w+ )?rests? on": "based on, follows from",
    r"rest(?:s|ed|ing)? on": "based on, follows from",
    r"st(?:ands?|ood|anding) on": "based on",
    r"beside": "next to; as well; in addition",
    r"whose words?": "origin; who confirmed it",
    r"told": "reported, distinguished, detected",
    r"telling": "power, detecting",
    r"at hand": "available, given",
    r"(?:stands?|sets?|kept|counts?|counted|counting|nights?|left|taken|put)[ ,-]+apart": "left out; separately",
    r"hangs? on": "depends on",
    # sentences that nobody understood
    r"per hour of the (?:stated|analysed) window": "per hour between lights off and lights on",
    r"neither (?:a count )?of tooth grinding nor": "does not show tooth grinding and diagnoses nothing",
    r"neither a count of": "does not show",
    r"nor a statement about a disorder": "diagnoses nothing",
    r"drawn again": "resampled",
    r"says? nothing of other nights": "this night only",
    r"counting noise": "Poisson variation; Poisson interval",
    r"so (?:it is|they are) too short": "too narrow because episodes cluster",
    r"accepted by nobody|nobody has accepted": "detected automatically, not confirmed",
    r"no person has looked": "automatic scoring, not reviewed",
    r"come or gone": "gained or lost when the rules were reapplied",
    r"four of five such studies": "in 80 % of studies",
    r"would tell": "would detect",
    r"from lower to higher": "the true rate could be lower or higher",
    r"no hour is an hour of sleep": "sleep was not recorded",
    r"none is the right one": "none is definitive",
    r"above its own level": "overestimates by about",
    r"contact, not gain": "a contact check only",
    r"to score the others alone": "each side alone is in the night's report",
    r"the record times leave": "12 min are missing",
    r"wants a word": "replace each FILL IN",
    r"not both given": "time missing: assumed worn",
    r"asked and told": "history as entered",
}
_INSTEAD = {
    re.compile(rf"\b(?:{pattern})\b".replace(" ", r"\s+"), re.IGNORECASE): better
    for pattern, better in INSTEAD.items()
}
_NUMBER = r"\d+(?:,\d{3})*(?:\.\d+)?"
_RANGE = re.compile(rf"(?<![\w.,:/\-–]){_NUMBER}-{_NUMBER}(?![\w\-]|[.:]\d)")
_PLURAL = re.compile(r"\w+\(s\)")


def not_terms() -> dict[str, str]:
    """Words that the glossary refuses, and the term that it wants."""
    text = GLOSSARY.read_text("utf-8")
    found = {}
    for entry in re.split(r"\n\n", text):
        term = re.match(r"\*\*(.+?)\.\*\*", entry)
        rivals = re.search(r"\bNot:\s+([^.]+)\.", entry)
        if term and rivals:
            found |= {" ".join(word.split()): term[1] for word in rivals[1].split(",")}
    return found


def prose(markdown: str) -> str:
    """A document without its code, addresses, dates and the glossary's refused words."""
    text = re.sub(r"(?s)```.*?```", " ", markdown)
    text = re.sub(r"(?s)<!--.*?-->", " ", text)
    text = re.sub(r"`[^`\n]*`", "CODE", text)
    text = re.sub(r"\bNot:\s+[^.]+\.", " ", text)
    return plain(text)


def plain(text: str) -> str:
    """A text without what looks like a range and is none: addresses, dates, ids."""
    text = re.sub(r"https?://\S+|doi:\S+|\]\([^)]*\)", " ", text)
    return re.sub(r"\b\d{4}-\d\d-\d\d\b", "DATE", text)


def refused(text: str) -> list[str]:
    """Each phrase of a text that a reader should not meet, with what to write instead."""
    found = [
        f"{' '.join(hit[0].split())}: write {better}"
        for pattern, better in _INSTEAD.items()
        for hit in pattern.finditer(text)
    ]
    found += [f"{hit[0]}: write an en dash" for hit in _RANGE.finditer(text)]
    found += [f"{hit[0]}: write the plural or the singular" for hit in _PLURAL.finditer(text)]
    for word, term in not_terms().items():
        if re.search(rf"\b{re.escape(word)}\b", text, re.IGNORECASE):
            found.append(f"{word}: the glossary says {term}")
    return found


def sentences(text: str) -> list[str]:
    """Sentences of a text, each with its words on one line."""
    joined = " ".join(text.split())
    return [s for s in re.split(r"(?<=[.!?])\s+(?=[A-Z“\"(\d])", joined) if s]


def too_long(text: str, most: int = MOST_WORDS) -> list[str]:
    """Sentences of more words than a sentence has that is read first."""
    return [s for s in sentences(text) if len(re.findall(r"[^\W_][^\s]*", s)) > most]
