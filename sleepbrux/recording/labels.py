"""Which channel is which muscle, from the label text.

Tables of patterns, tried in order on the label in lower case, separators as blanks and
``camelCase`` split. Ambiguous labels, decided here once:

- ``Temp`` alone may be the temperature: other. With ``EMG`` or a side it is the temporalis.
- ``LTA``, ``TA-R`` may be temporalis anterior or tibialis anterior: EMG of unknown muscle.
- ``LAT``, ``RAT`` are the left and right anterior tibialis.
- ``MAS``, ``LMM``, ``RMM`` are the masseter; ``M1`` and ``M2`` are the mastoids.
- ``Mass`` is the masseter; ``Mass flow`` is respiration, ``Body mass`` other.
- ``Ext1`` may be an extensor or an external input: other.
- ``Nasal Snore``, ``P-Snore`` come from a pressure sensor: respiration, not audio.
- ``O2`` alone is an EEG electrode; with a device's name it is oximetry.
- ``EMG``, ``EMG1``, ``EMG L`` name no muscle: EMG of unknown muscle, never jaw by guess.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import get_args

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import printable
from sleepbrux.recording.model import Recording, Role, Side

ELECTRICAL: frozenset[Role] = frozenset({"jaw", "chin", "leg", "arm", "neck", "emg", "ecg", "eeg", "eog"})
MUSCLES: frozenset[Role] = frozenset({"jaw", "chin", "leg", "arm", "neck", "emg"})

MOST_CHANNELS = 1024
_MASSETER = r"\b(?:emg ?)?[lr]?(?:mass?(?:[ae]t(?:er(?:o|e|s)?|e)?)?)(?:l|r|lr|rl)?\d*\b|\b[lr]mm\d?\b|咬筋"
_TEMPORALIS = (
    r"\b(?:emg ?)?[lr]?temporal(?:is|e|es)?[lr]?\d*\b|\b(?:emg ?)?[lr]temp\d*\b"
    r"|\bemg ?temp[lr]?\d*\b|\btemp[lr]\d*\b|\btemp \d?(?:l|r|left|right|li|re|links|rechts|emg)\b"
    r"|\b(?:l|r|left|right|li|re|links|rechts) temp\b|側頭筋"
)
_ELECTRODE = r"(?:fp|af|fc|ft|cp|tp|po|[fctpoame0])(?:z|\d{1,2})"

_ROLES: tuple[tuple[Role, str, str], ...] = (
    ("ecg", "", r"\b[lr]?e[ck]g"),
    ("eeg", "", r"^eeg"),
    ("eog", "", r"eog|\b[lr]oc\b|\be[12]\b|^e[12]"),
    ("respiration", "", r"\bmass ?(?:flow|spec)"),
    ("other", "", r"\bbody mass|\bmass index"),
    (
        "accelerometer",
        "",
        r"\bacc(?:el\w*)?\b|\bacc ?[xyz]\b|gyro|actigr|movement|\bimu\b|"
        r"beschleun",
    ),
    ("jaw", "masseter", _MASSETER),
    ("jaw", "temporalis", _TEMPORALIS),
    ("jaw", "", r"\b[lr]?jaw[lr]?\d?\b|\bkiefer|\bkaumus|brux"),
    (
        "chin",
        "",
        r"chin[abclr]?\d?\b|\bchin|\bkinn|mental(?:is)?\b|\bsubm|\bment\b|\bmenton|genio|"
        r"hyoid|digastr",
    ),
    (
        "leg",
        "",
        r"\b[lr]?legs?[lr]?\d*\b|leg ?emg|\b[lr] ?at\d?\b|\b[lr]?(?:ant)?tib|tibial|\bfoot|"
        r"\bfeet|\bplm|gastroc|soleus|\bbein|jambe|pierna|gamba",
    ),
    ("arm", "", r"\b[lr]?arms?[lr]?\d*\b|flexor|extensor|\bfds\b|\bedc\b|biceps|triceps|brachi"),
    ("neck", "", r"\bscm\b|sternocl|scalen|\bshould|trapez|\bneck\b|splenius|deltoid"),
    ("respiration", "", r"\bric\b|intercost|\binter ?emg|diaphr"),
    ("emg", "", r"emg|\b[lr]ta\d?\b|\bta ?[lr]\b|\b[lr] ta\b"),
    (
        "respiration",
        "",
        r"\bnas(?:al|or|on)|\bpress|\bpressur|^n press|^n pres\b|flow|therm|cannul|"
        r"\bnew ?a|\babd|\bp abd|\btho\w*|\bchest|effort|\brip|\brips?\b|resp|co2|"
        r"\boral|breath|cpap|\bp snore|\bbelt|\bat(?:em|mung)|\bptaf\b|\bfluss\b",
    ),
    ("audio", "", r"snor|\bmic|\bmikro[fp]|audio|sound|schnarch|\btracheal\b|\bronfl"),
    ("pulse", "", r"ppg|pleth|pulse|puls\b|heart|\bhr\b|\bh r\b|\bhrate"),
    ("oximetry", "", r"sp ?[o0]2|sa ?[o0]2|\bo2 masimo|\bo2 ?sat|\bosat|oxi|desat|^sat$|sattigung"),
    ("position", "", r"\bposn?\b|position|^body$|lage\b"),
    ("eeg", "", rf"^(?:{_ELECTRODE} ?)+x?$"),
)
_PATTERNS = tuple((role, muscle, re.compile(pattern)) for role, muscle, pattern in _ROLES)

_WORDS = r"(?:mas|temp|emg|leg|arm|chin|jaw|mm\d?\b|ta\d?\b|at\d?\b)"
_ENDS = r"(?:mass?(?:[ae]t(?:er)?)?|temp(?:oralis)?|emg|legs?|arms?|chin|jaw)"
_LEFT = re.compile(
    rf"\b(?:l|left|lt|li|links|gauche|izq\w*|sin(?:ist\w*)?|sx|esq\w*)\d?\b|\bl{_WORDS}|\b\w*?{_ENDS}(?:l|lr|rl)\d*\b|左"
)
_RIGHT = re.compile(
    rf"\b(?:r|right|rt|re|rechts|droite?|der(?:ech[ao])?|dext?\w*|dx|dir\w*)\d?\b|\br{_WORDS}|\b\w*?{_ENDS}(?:r|lr|rl)\d*\b|右"
)
_BOTH = re.compile(r"\b(?:lr|rl|bil\w*|both|beide?)\b")


def plain_label(label: str) -> str:
    """Lower case, accents removed, words apart."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", label)
    decomposed = unicodedata.normalize("NFKD", words.casefold())
    letters = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^\w]|_", " ", letters).split())


def _side(text: str) -> Side:
    left, right = bool(_LEFT.search(text)), bool(_RIGHT.search(text))
    if _BOTH.search(text) or (left and right):
        return "both"
    return "left" if left else "right" if right else ""


def recognise(label: str) -> tuple[Role, Side, str]:
    """Role, side and muscle that a label names.

    Examples
    --------
    >>> recognise("EMG MassL")
    ('jaw', 'left', 'masseter')
    >>> recognise("Temperature"), recognise("LAT"), recognise("EMG1")
    (('other', '', ''), ('leg', 'left', ''), ('emg', '', ''))
    """
    split = plain_label(label)
    whole = plain_label(label.lower())
    for role, muscle, pattern in _PATTERNS:
        for text in (split, whole):
            if pattern.search(text):
                side = (_side(split) or _side(whole)) if role in MUSCLES else ""
                return role, side, muscle
    return "other", "", ""


def unique_labels(raw: list[str]) -> list[str]:
    """Labels with none empty, none twice and nothing unseen in them.

    Examples
    --------
    >>> unique_labels(["EMG", "", "EMG", "ECG"])
    ['EMG#1', 'ch2', 'EMG#2', 'ECG']
    """
    named = [printable(label) or f"ch{position + 1}" for position, label in enumerate(raw)]
    counts = Counter(named)
    taken = {label for label, n in counts.items() if n == 1}
    last: Counter[str] = Counter()
    result = []
    for label in named:
        name = label
        while counts[label] > 1 and (name == label or name in taken):
            last[label] += 1
            name = f"{label}#{last[label]}"
        taken.add(name)
        result.append(name)
    return result


def axis_of(label: str) -> str:
    """Axis that the label of an accelerometer names: ``"x"``, ``"y"``, ``"z"`` or ``""``.

    Examples
    --------
    >>> axis_of("ACC_X"), axis_of("AccelZ"), axis_of("Movement")
    ('x', 'z', '')
    """
    text = plain_label(label)
    named = re.search(r"(?:^|\b|acc(?:el\w*?)?|gyro)([xyz])\b", text)
    return named[1] if named else ""


def role_named(text: str) -> tuple[Role, Side, str]:
    """Role, side and muscle that a user names: a role's own word, or a label such as channels have.

    Examples
    --------
    >>> role_named("ecg"), role_named("masseter left")
    (('ecg', '', ''), ('jaw', 'left', 'masseter'))
    """
    word = text.strip().casefold()
    if word in get_args(Role):
        return word, "", ""  # type: ignore[return-value]
    role, side, muscle = recognise(text)
    if role == "other":
        raise RecordingError(
            f"{text!r} names no kind of channel; write one of {', '.join(get_args(Role))}, or such as"
            " 'masseter left'"
        )
    return role, side, muscle


def with_roles(recording: Recording, roles: Iterable[tuple[str, str]]) -> Recording:
    """The recording with channels that are what the user says, whatever their labels say.

    Raises
    ------
    RecordingError
        A label that the recording does not have, or a word that names no kind of channel.
    """
    channels = list(recording.channels)
    for label, text in roles:
        try:
            channel = recording.channel(label)
        except KeyError:
            names = ", ".join(repr(c.label) for c in channels)
            raise RecordingError(
                f"{recording.name}: there is no channel {label!r} to name; there are {names}"
            ) from None
        role, side, muscle = role_named(text)
        place = next(k for k, c in enumerate(channels) if c.label == channel.label)
        channels[place] = replace(channels[place], role=role, side=side, muscle=muscle)
    return replace(recording, channels=tuple(channels))
