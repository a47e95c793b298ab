"""Searching for words and dates of a person in all the spellings in which they may have been left.

A name is compared without case and accents; a letter with an accent may also be two letters (ue), a
question mark or another stand-in, or nothing, as programs that know only ASCII leave it. From five letters
on it may be parted by hyphens or blanks, or stand backwards. Dates are sought in the forms in common use,
numbers of the header without what parts them. What this cannot find: nicknames, initials, words of two
letters, other misspellings, names written in another script, what was packed or encoded.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date

from sleepbrux.recording.allowed_words import is_term, vouched

LEAST_LETTERS = 3
LEAST_SAMPLE_BYTES = 8
LEAST_CODE = 4
_LEAST_FIGURES = 3  # of a number, without zeros behind: rounder ones are found by chance
# Shorter words are found as whole words only: they stand inside others by chance.
_WHOLE_WORD_LETTERS = 4
_PARTS = r"[-\s_./]{0,2}"  # what may part the signs of a number
_PARTING = re.compile(r"[- \t_.·]+")
# Words of headers and file names that say nothing about anybody.
_COMMON_LIST = """
startdate unknown unbekannt none male female and the und patient recording record night nacht day file edf
bdf rec data test study studie sleep schlaf home xxx new neu copy kopie start end eof active electrode
electrodes cup with for from mit von vom auf off out was has had not are lights clench clenches rest resting
sync stage wake rem
"""
_COMMON = frozenset(_COMMON_LIST.split())
_LETTERS = {
    "ß": "ss",
    "ø": "o",
    "æ": "ae",
    "œ": "oe",
    "ł": "l",
    "đ": "d",
    "ð": "d",
    "þ": "th",
    "ı": "i",
}
_ACCENTED = frozenset("acdegilnorstuyz")
_UMLAUTS = {"ae": "ä", "oe": "ö", "ue": "ü"}
_LOST = "?�_¿"
_MONTHS = (
    ("jan", "january", "januar", "janvier", "enero", "gennaio", "januari"),
    ("feb", "february", "februar", "fevrier", "febrero", "febbraio", "februari"),
    ("mar", "march", "marz", "maerz", "mars", "marzo", "maart", "mrz", "mrt"),
    ("apr", "april", "avril", "abril", "aprile"),
    ("may", "mai", "mayo", "maggio", "mei"),
    ("jun", "june", "juni", "juin", "junio", "giugno"),
    ("jul", "july", "juli", "juillet", "julio", "luglio"),
    ("aug", "august", "aout", "agosto", "augustus"),
    ("sep", "sept", "september", "septembre", "septiembre", "settembre"),
    ("oct", "october", "oktober", "octobre", "octubre", "ottobre", "okt"),
    ("nov", "november", "novembre", "noviembre"),
    ("dec", "december", "dezember", "decembre", "diciembre", "dicembre", "dez"),
)
_WORD = re.compile(r"[^\W\d_]+(?:[?�]+[^\W\d_]*)*|\d+")
_MIXED = re.compile(r"(?<![^\W_])(?=[^\W_]*\d)(?=[^\W_]*[^\W\d_])[^\W_]{5,}")
_CAMEL = r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])"
_DATES = (
    (re.compile(r"(?<!\d)(\d{1,2})[-./ _](\d{1,2})[-./ _](\d{4}|\d\d)(?!\d)"), "dmy"),
    (re.compile(r"(?<!\d)(\d{4})[-./ _](\d{1,2})[-./ _](\d{1,2})(?!\d)"), "ymd"),
    (re.compile(r"(?<!\d)(\d{4})(\d\d)(\d\d)(?!\d)"), "ymd"),
    (re.compile(r"(?<!\d)(\d\d)(\d\d)(\d{4}|\d\d)(?!\d)"), "dmy"),
    (re.compile(r"(?<!\d)(\d\d)(\d\d)(\d\d)(?!\d)"), "ymd"),
    (re.compile(r"(?<!\d)(\d{1,2})[-. _]*([a-zäéû]{3,10})[-., _]*(\d{4}|\d\d)(?!\d)"), "dMy"),
    (re.compile(r"([a-zäéû]{3,10})[-. _]*(\d{1,2})(?:st|nd|rd|th)?[-., _]+(\d{4})(?!\d)"), "Mdy"),
)

_NAMES = "|".join(sorted((name for names in _MONTHS for name in names), key=len, reverse=True))
_NAMED_DATE = re.compile(rf"(?<![^\W_])\d{{1,2}}[-. _]*(?:{_NAMES})[-., _]*\d{{2,4}}(?!\d)", re.IGNORECASE)

_NUMERIC_DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}")


def folded(text: str) -> str:
    """Text without case and accents.

    Examples
    --------
    >>> folded("Jörg STRAßE Łódź")
    'jorg strasse lodz'
    """
    plain = "".join(_LETTERS.get(c, c) for c in text.casefold())
    decomposed = unicodedata.normalize("NFKD", plain)
    return "".join(c for c in decomposed if not unicodedata.combining(c))


def words_of(text: str) -> list[str]:
    """Words of a text that may say who somebody is: of three letters or more, or six digits or more.

    Letters and digits together are one word from five signs on. Split at everything else, and where a
    small letter meets a capital one.

    Examples
    --------
    >>> words_of("MCH-0234567 F 02-MAY-1951 Meyer-Grünewald_An EMG")
    ['MCH', '0234567', 'Meyer', 'Grünewald']
    >>> words_of("M?ller night01 JanSmit")
    ['M?ller', 'JanSmit', 'Jan', 'Smit']
    """
    found: list[str] = []
    text = _NAMED_DATE.sub(" ", unicodedata.normalize("NFC", text))
    for word in (*_WORD.findall(text), *_MIXED.findall(text)):
        parts = [] if any(c.isdigit() for c in word) else re.split(_CAMEL, word)
        found += [word, *(parts if len(parts) > 1 else [])]
    return [w for w in dict.fromkeys(found) if _says_who(w)]


def _says_who(word: str) -> bool:
    if word.isdigit():
        return len(word) >= 6
    plain = folded(word)
    if plain.rstrip("0123456789") in _COMMON:
        return False
    least = LEAST_LETTERS if word.isascii() or "?" in word else 2
    return len(word) >= least and not is_term(plain)


def codes_of(text: str) -> set[str]:
    """Numbers of a header that may be somebody's, of four signs or more, without what parts their signs.

    Each as a whole, its figures alone, and every run of four figures or more in it; no dates.

    Examples
    --------
    >>> sorted(codes_of("H-4711-3 F 07-AUG-1968 Doe")), codes_of("X X X X"), codes_of("P17 M X EMG-4")
    (['4711', '47113', 'h47113'], set(), set())
    """
    found = set()
    for token in re.split(r"[\s_,;()]+", _NAMED_DATE.sub(" ", text)):
        if _NUMERIC_DATE.fullmatch(token) or vouched(token):
            continue
        figures = re.sub(r"\D", "", token)
        whole = "".join(c for c in folded(token) if c.isalnum())
        found |= {code for code in (whole, figures, *re.findall(r"\d+", token)) if figures}
    return {code for code in found if len(code) >= LEAST_CODE}


def dates_of(text: str) -> set[date]:
    """Every date that a text may mean, in any common form; two-figure years are of this or last century.

    Examples
    --------
    >>> sorted(map(str, dates_of("born 2 May 1951, again 05/02/51")))
    ['1951-02-05', '1951-05-02', '2051-02-05', '2051-05-02']
    """
    plain, found = folded(text), set()
    for pattern, order in _DATES:
        for parts in pattern.findall(plain):
            found |= set(_read(dict(zip(order, parts, strict=True))))
    return found


def _read(parts: dict[str, str]) -> Iterator[date]:
    if "M" in parts:
        months = [k for k, names in enumerate(_MONTHS, start=1) if parts["M"] in names]
        pairs = [(int(parts["d"]), m) for m in months]
    else:
        pairs = [(int(parts["d"]), int(parts["m"])), (int(parts["m"]), int(parts["d"]))]
    years = [int(parts["y"])] if len(parts["y"]) == 4 else [1900 + int(parts["y"]), 2000 + int(parts["y"])]
    for day, month in pairs:
        for year in years:
            try:
                moment = date(year, month, day)
            except ValueError:
                continue
            if 1900 <= year <= 2100:
                yield moment


def _date_pattern(day: date) -> str:
    """A pattern over folded text for the forms in which a date is written."""
    d, m, year = f"0?{day.day}", f"0?{day.month}", f"(?:{day.year}|{day.year % 100:02d})"
    names = "|".join(sorted(_MONTHS[day.month - 1], key=len, reverse=True))
    two = f"{day.day:02d}", f"{day.month:02d}", f"{day.year % 100:02d}"
    sep = r"[-./ _]"
    forms = [
        rf"{d}{sep}+{m}{sep}+{year}",
        rf"{m}{sep}+{d}{sep}+{year}",
        rf"{day.year}{sep}+{m}{sep}+{d}",
        rf"{d}{sep}*(?:{names})[-., _]*{year}",
        rf"(?:{names}){sep}*{d}(?:st|nd|rd|th)?[-., _]+{year}",
        rf"{two[0]}{two[1]}(?:{day.year}|{two[2]})",
        rf"{two[1]}{two[0]}(?:{day.year}|{two[2]})",
        rf"(?:{day.year}|{two[2]}){two[1]}{two[0]}",
    ]
    before = rf"(?<!\d)(?:{'|'.join(forms)})(?!\d)"
    # a year without century in front, a month with its year, a day with its month's name
    short = [
        rf"(?<!\d){two[2]}{sep}+{m}{sep}+{d}(?!\d)",
        rf"(?<!\d)(?:{m}{sep}+{day.year}|{day.year}{sep}+{m})(?!\d)",
        rf"(?<![a-z])(?:{names})[-. _']*{year}(?!\d)",
        rf"(?<!\d){d}(?:st|nd|rd|th)?{sep}*(?:{names})(?![a-z])",
        rf"(?<![a-z])(?:{names}){sep}*{d}(?!\d)",
    ]
    return "|".join((before, *short))


def _code_pattern(code: str) -> str:
    """A pattern over folded text for a number, its signs parted or not."""
    before, after = (r"\d" if c.isdigit() else "[a-z]" for c in (code[0], code[-1]))
    return rf"(?<!{before}){_PARTS.join(map(re.escape, code))}(?!{after})"


def _figures_of(day: date) -> set[str]:
    """A date as a number, without zeros in front."""
    d, m, y = ({str(n), f"{n:02d}"} for n in (day.day, day.month, day.year % 100))
    return {
        "".join(parts).lstrip("0")
        for order in ((d, m, y | {str(day.year)}), (m, d, y | {str(day.year)}), (y | {str(day.year)}, m, d))
        for parts in itertools.product(*order)
    }


def _letter(c: str, least: int) -> str:
    """What may stand for a letter of a word in folded text.

    ``least`` is how many signs stand at least for a letter that was lost; -1: none was.
    """
    if c in "?�":
        return rf"\S{{{max(least, 0)},2}}"
    plain = re.escape(folded(c))
    after = "e?" if plain in ("a", "o", "u") else ""
    if not c.isascii():
        return plain if least < 0 else rf"(?:{plain}{after}|[^a-z0-9\s]{{{least},2}})"
    return rf"(?:{plain}{after}|[{re.escape(_LOST)}]{{1,2}})" if c in _ACCENTED else plain


def _word_pattern(word: str) -> str:
    lower = word.casefold()
    if len(lower) > LEAST_LETTERS + 1:  # two letters may stand for one with an accent
        lower = re.sub(r"[aou]e", lambda pair: _UMLAUTS[pair[0]], lower)
    ascii_letters = sum(c.isascii() and c.isalnum() for c in lower)
    # so few letters would be found everywhere
    least = 0 if ascii_letters >= LEAST_LETTERS else 1 if ascii_letters else -1
    pattern = "".join(_letter(c, least) for c in lower)
    if len(word) <= _WHOLE_WORD_LETTERS:
        return rf"(?<![a-z0-9]){pattern}(?![a-z0-9])"
    return pattern


def _spellings(word: str) -> set[str]:
    """A word as programs write it: as it is, without accents, with two letters for an umlaut."""
    lower = word.casefold()
    two = "".join({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa"}.get(c, c) for c in lower)
    every = {lower, folded(word), folded(two)}
    return every | {w.upper() for w in every if not w.isascii()}


@dataclass(frozen=True)
class Search:
    """Words and dates that must not be found.

    Attributes
    ----------
    words
        From `words_of`, and whole texts.
    dates
        From `dates_of`.
    codes
        From `codes_of`.
    births
        Those dates of which a year alone is sought too.
    """

    words: frozenset[str] = frozenset()
    dates: frozenset[date] = frozenset()
    codes: frozenset[str] = frozenset()
    births: frozenset[date] = frozenset()
    _patterns: dict[str, re.Pattern[str]] = field(init=False, repr=False, compare=False)
    _needles: tuple[tuple[str, bytes], ...] = field(init=False, repr=False, compare=False)
    _any: re.Pattern[bytes] | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Make what is compared."""
        patterns = {word: re.compile(_word_pattern(word)) for word in self.words}
        patterns |= {str(day): re.compile(_date_pattern(day)) for day in self.dates}
        patterns |= {code: re.compile(_code_pattern(code)) for code in self.codes}
        patterns |= {
            f"year {day.year}": re.compile(rf"(?<!\d){day.year}(?!\d)") for day in self.births & self.dates
        }
        object.__setattr__(self, "_patterns", patterns)
        needles = tuple(sorted(set(self._bytes())))
        object.__setattr__(self, "_needles", needles)
        every = b"|".join(re.escape(needle) for _, needle in needles)
        object.__setattr__(self, "_any", re.compile(every) if needles else None)

    @classmethod
    def of(cls, texts: Iterable[str], dates: Iterable[date] = (), phrases: Iterable[str] = ()) -> Search:
        """All that texts say of somebody; ``phrases`` are sought as they are, besides."""
        texts = list(texts)
        words = {word for text in texts for word in words_of(text)}
        known = set(dates).union(*(dates_of(text) for text in texts))
        return cls(frozenset(words | {p for p in phrases if len(p) >= LEAST_LETTERS}), frozenset(known))

    def __len__(self) -> int:
        """Count of words, dates and numbers."""
        return len(self.words) + len(self.dates) + len(self.codes)

    def _bytes(self) -> Iterator[tuple[str, bytes]]:
        """Spellings of eight bytes and more, in the encodings in use, for bytes in lower case."""
        for word in self.words:
            for text in _spellings(word):
                yield from _encoded(word, text)
                yield from _encoded(word, text[::-1])
        for code in self.codes:
            yield from _encoded(code, code)
        for day in self.dates:
            for form in (
                "%d-%m-%Y",
                "%d.%m.%Y",
                "%d/%m/%Y",
                "%m/%d/%Y",
                "%Y-%m-%d",
                "%Y%m%d",
                "%d%m%Y",
            ):
                yield from _encoded(str(day), day.strftime(form))
            yield from _encoded(str(day), f"{day:%d}-{_MONTHS[day.month - 1][0]}-{day.year}")

    def in_text(self, text: str) -> set[str]:
        """Which are found in a text."""
        parted = re.sub(_CAMEL, " ", text)
        plain = "\n".join(folded(form) for form in dict.fromkeys((text, parted, _twice_decoded(text))))
        found = {name for name, pattern in self._patterns.items() if pattern.search(plain)}
        joined = _PARTING.sub("", plain)
        hidden = f"{joined}\n{joined[::-1]}"
        long = (word for word in self.words if len(word) > _WHOLE_WORD_LETTERS)
        return found | {word for word in long if self._patterns[word].search(hidden)}

    def in_number(self, value: str, *, years: bool = False) -> bool:
        """Whether the figures of a number are those of a date or number that is sought.

        Round numbers and limits of a converter are none, whatever is sought.

        Parameters
        ----------
        years
            A year of birth is one too.

        Examples
        --------
        >>> search = Search.of(["07-AUG-1968"])
        >>> search.in_number("-19680807"), search.in_number("3276.7"), search.in_number("7.0868")
        (True, False, True)
        """
        figures = re.sub(r"\D", "", value).lstrip("0")
        if len(figures) < LEAST_CODE or len(figures.rstrip("0")) < _LEAST_FIGURES:
            return False
        number = int(figures)
        if not number & (number - 1) or not number & (number + 1):
            return False
        sought = self.codes | {f for day in self.dates for f in _figures_of(day)}
        sought |= {str(day.year) for day in self.births if years}
        return figures in {f.lstrip("0") for f in sought}

    def in_field(self, raw: bytes) -> set[str]:
        """Which are found in bytes that are text, whatever their encoding."""
        texts = [raw.decode(code, "replace") for code in ("utf-8", "latin-1", "cp437", "utf-16-le")]
        return set().union(*(self.in_text(text) for text in texts))

    def in_bytes(self, raw: bytes) -> set[str]:
        """Which are found in bytes that are samples: those of eight bytes and more only."""
        lower = raw.lower()
        if self._any is None or not self._any.search(lower):
            return set()
        return {name for name, needle in self._needles if needle in lower}

    @property
    def longest(self) -> int:
        """Bytes of the longest that `in_bytes` seeks."""
        return max((len(needle) for _, needle in self._needles), default=1)


def _twice_decoded(text: str) -> str:
    """The text that was meant where UTF-8 was read as Latin-1."""
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return text


def _encoded(name: str, text: str) -> Iterator[tuple[str, bytes]]:
    for code in ("utf-8", "latin-1", "cp437", "utf-16-le"):
        raw = text.encode(code, "ignore").lower()
        raw = raw.removesuffix(b"\0")  # so it is found in either order of bytes
        if len(raw) >= LEAST_SAMPLE_BYTES:
            yield name, raw
