"""What a copy is searched for, and a pseudonym must not be like: the old names, numbers and dates."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from sleepbrux.core.errors import UsageError
from sleepbrux.recording.allowed_words import is_term, vouched
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_header import Header, clean
from sleepbrux.recording.formats.edf_start import ANONYMISED, read_start
from sleepbrux.recording.identity_search import Search, codes_of, dates_of, folded, words_of

LIKE = 0.8  # likeness of a pseudonym to a name (0 to 1) from which it is refused; our choice
_CODE = re.compile(r"(?=.*\d)(?:[A-Za-z]{0,3}[-_]?\d{1,5})")


def search_of(
    header: Header,
    stem: str,
    dropped: Iterable[str] = (),
    *,
    allow: Sequence[str] = (),
    kept: Iterable[str] = (),
) -> Search:
    """What the copy of a file is searched for: names, numbers and dates of its header and its name.

    And labels but for those that are ``kept``, and the annotation texts that were dropped, with their words
    but for those of allowed ones.
    """
    kept = set(kept)
    texts = [clean(header.fields["patient"]), clean(header.fields["recording"]), stem]
    for signal in header.signals:
        texts += [clean(signal.fields[f]) for f in ("transducer", "reserved", "prefilter")]
        label = clean(signal.fields["label"])
        if not vouched(label) and label not in kept:
            texts.append(label)
    moment = read_start(header.fields, Fraction(0), Findings(Path())).moment
    start = {moment.date()} if moment else set()
    telling = [text for text in dropped if words_of(text)]
    search = Search.of(texts, start, telling)
    said = {w for text in telling for w in words_of(text)}
    said -= {w for text in allow for w in words_of(text)}
    return replace(
        search,
        words=search.words | said,
        dates=search.dates - {ANONYMISED},
        codes=header_codes(header),
        births=frozenset(dates_of(clean(header.fields["patient"]))),
    )


def header_codes(header: Header) -> frozenset[str]:
    """Numbers in the fields for patient and recording."""
    return frozenset(codes_of(clean(header.fields["patient"])) | codes_of(clean(header.fields["recording"])))


def refuse_like(pseudonym: str, header: Header, stem: str) -> None:
    """Refuse a pseudonym that says who somebody is.

    Raises
    ------
    UsageError
        It holds, or is like, a word or date of the header or of the file's name. A code such as ``P017``
        may stand in the name of the file.
    """
    who = words_of(f"{clean(header.fields['patient'])} {clean(header.fields['recording'])}")
    named = [w for w in words_of(stem) if w not in who]
    own = [w for w in re.findall(r"[^\W\d_]{3,}|\d{4,}", folded(pseudonym)) if not is_term(w)]
    for word in (*who, *(w for w in named if not _CODE.fullmatch(w))):
        plain = folded(word)
        alike = [
            mine
            for mine in own
            if mine in plain or plain in mine or difflib.SequenceMatcher(None, mine, plain).ratio() >= LIKE
        ]
        if alike or (len(plain) >= 3 and plain in folded(pseudonym)):
            raise UsageError(
                "`pseudonym` holds a word of the header or of the file's name, or one that is like it; choose"
                " one that says nothing of the person, such as P017"
            )
    days = dates_of(clean(header.fields["patient"])) | dates_of(clean(header.fields["recording"]))
    if Search(dates=frozenset(days | dates_of(stem)), codes=header_codes(header)).in_text(pseudonym):
        raise UsageError(
            "`pseudonym` holds a date or number of the header or of the file's name; choose another"
        )
