"""What of a recording's own words may be passed on: labels, units and filters that nobody's name can be.

A label stays where every word of it is a term of the trade; any other is replaced by one that says the same
of role, side and muscle. Nothing here searches for names: what is not known is not kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

from sleepbrux.recording.labels import plain_label, recognise
from sleepbrux.recording.marks import classify
from sleepbrux.recording.units import MICROVOLTS, UNIT_NAMES, read_unit

MOST_DIGITS = 3  # in a label: more may be a date or a number of somebody
MOST_LETTERS = 2  # standing alone in a label

# Signals; muscles; sides and places; how it was taken.
_TERM_LIST = """
emg semg ecg ekg eeg eog meg ppg spo2 sp02 sao2 so2 osat o2 sat co2 etco2 tcco2 hr pr bpm pulse puls pleth
plethysmogram plethysmography heart rate resp respiration respiratory breath breathing atem atmung airflow
flow fluss nasal nas nase oral oronasal pressure press druck thermistor thermo therm thermal cannula effort
thorax thoracic tho abdomen abdominal abd abdo chest belt gurt rip sum snore snoring schnarchen mic
microphone mikrofon mikrophon audio sound ton ptaf cpap pap leak position pos posn lage body acc accel
accelerometer accelerometry beschleunigung gyro gyroscope actigraphy actigraph activity movement motion imu
temperature temperatur light licht lux battery batt marker event events trigger trig status annotations
stage hypnogram sync synchro impedance voltage ii iii avf avl avr
masseter masset mass mas masseters temporalis temporal temporale temporales temp anterior ant posterior post
jaw kiefer kaumuskel chin kinn mentalis mental mentum submental subment subm digastric digastricus
suprahyoid geniohyoid genioglossus hyoid mylohyoid leg legs bein tibialis tib tibial gastrocnemius gastroc
soleus foot feet plm arm arms biceps triceps flexor extensor digitorum superficialis fds edc scm
sternocleidomastoid sternocleido trapezius trapez neck nacken splenius deltoid deltoideus orbicularis
frontalis zygomaticus intercostal intercost diaphragm muscle mm ta at lta rta lat rat lmm rmm
left right li re lt rt lr rl links rechts gauche droite droit izq izquierdo izquierda der derecho derecha
sin dx sx dex dexter dextra sinister sinistra bil bilateral both beide mid middle central upper lower
channel chan ch kanal canal signal sig aux input output ref reference gnd ground raw filt filtered rms env
envelope mean avg bip bipolar unipolar mono diff ac dc hp lp electrode elec lead ableitung surface surf loc
roc 咬筋 側頭筋 左 右
"""
_TERMS = frozenset(_TERM_LIST.split())
_SINGLE = frozenset("lrxyzmabncdvi")
_ELECTRODE = r"(?:fp|af|fc|ft|cp|tp|po|[fctpoame])(?:z|\d{1,2})"
_SIDED = re.compile(r"[lr]?(.+?)(?:l|r|lr|rl)?")
_NUMBERED = re.compile(rf"\d{{1,{MOST_DIGITS}}}|{_ELECTRODE}|e[12]")

_UNIT_LIST = """
% Hz kHz bpm 1/min s ms min degC °C degF K Pa kPa hPa mbar bar mmHg cmH2O L mL L/s mL/s L/min mL/min g m/s2
m/s^2 m/s deg rad deg/s lx lux dB dBA Ohm kOhm MOhm mA uA nA A a.u. au bit bits count counts BPM Pct pct
"""
_UNITS = frozenset(_UNIT_LIST.split())
_FILTER = re.compile(r"\b(HP|LP|N|DC):? ?(\d{1,5}(?:[.,]\d{1,4})?) ?(k?Hz)\b", re.IGNORECASE)
_WORDS = {
    "jaw": "EMG Jaw",
    "chin": "EMG Chin",
    "leg": "EMG Leg",
    "arm": "EMG Arm",
    "neck": "EMG Neck",
    "emg": "EMG",
    "ecg": "ECG",
    "pulse": "Pulse",
    "respiration": "Resp",
    "audio": "Sound",
    "accelerometer": "Acc",
    "position": "Position",
    "oximetry": "SpO2",
    "eeg": "EEG",
    "eog": "EOG",
    "other": "ch",
}
_MUSCLES = {"masseter": "EMG Mass", "temporalis": "EMG Temp"}
_SIDES = {"left": " L", "right": " R", "both": " LR", "": ""}
MARK_WORDS = {
    "lights_off": "Lights off",
    "lights_on": "Lights on",
    "clench": "Clench",
    "rest": "Rest",
    "sync": "Sync",
}


def is_term(word: str) -> bool:
    """Whether a word, in lower case without accents, is a term of the trade, with side and number or not.

    Examples
    --------
    >>> is_term("masseter"), is_term("lmass2"), is_term("c3"), is_term("jansen")
    (True, True, True, False)
    """
    bare = word.rstrip("0123456789") if len(word) > 1 else word
    if word in _TERMS or bare in _TERMS or _NUMBERED.fullmatch(word):
        return True
    sided = _SIDED.fullmatch(bare)
    return sided is not None and len(sided[1]) > 2 and sided[1] in _TERMS


def vouched(label: str) -> bool:
    """Whether a label holds nothing but terms, a letter or two and few digits.

    Examples
    --------
    >>> vouched("EMG Masseter L"), vouched("EMG1-EMG2"), vouched("EMG Jansen"), vouched("EMG 020551")
    (True, True, False, False)
    """
    return (
        sum(c.isdigit() for c in label) <= MOST_DIGITS
        and label.isprintable()
        and not label.startswith(("=", "+", "-", "@"))
        and any(_all_terms(plain_label(text).split()) for text in (label, label.lower()))
    )


def _all_terms(words: list[str]) -> bool:
    alone = sum(w in _SINGLE for w in words)
    return bool(words) and alone <= MOST_LETTERS and all(w in _SINGLE or is_term(w) for w in words)


def neutral_label(label: str) -> str:
    """Role, side and muscle that a label names, in words that everybody uses.

    Examples
    --------
    >>> neutral_label("EMG Masseter li Jansen"), neutral_label("EKG Jansen"), neutral_label("Jansen")
    ('EMG Mass L', 'ECG', 'ch')
    """
    role, side, muscle = recognise(label)
    return f"{_MUSCLES.get(muscle, _WORDS[role])}{_SIDES[side]}"


def neutral_labels(labels: Iterable[str], taken: dict[str, str] | None = None) -> dict[str, str]:
    """Each label with what stands for it: itself where it is vouched for, else a neutral one, none twice.

    Parameters
    ----------
    labels
        Labels that differ.
    taken
        What was decided before.

    Examples
    --------
    >>> neutral_labels(["EMG L", "EMG Jansen L", "Jansen"])
    {'EMG L': 'EMG L', 'EMG Jansen L': 'EMG L 2', 'Jansen': 'ch1'}
    """
    found = dict(taken or {})
    new = [label for label in dict.fromkeys(labels) if label not in found]
    found |= {label: label for label in new if vouched(label)}
    used = {label.casefold() for label in found.values()}
    for label in new:
        if label in found:
            continue
        word, number = neutral_label(label), 1
        name = "ch1" if word == "ch" else word
        while name.casefold() in used:
            number += 1
            name = f"ch{number}" if word == "ch" else f"{word} {number}"
        used.add(name.casefold())
        found[label] = name
    return {label: found[label] for label in (*(taken or {}), *new)}


def neutral_unit(raw: bytes) -> str:
    """A unit as its standard spelling; empty where it is none that is known.

    Examples
    --------
    >>> neutral_unit(b"\\xb5V     "), neutral_unit(b"mmHg"), neutral_unit(b"Jansen")
    ('uV', 'mmHg', '')
    """
    voltage = read_unit(raw)
    if voltage is not None:
        sizes: dict[Fraction, str] = {MICROVOLTS[name.lower()]: name for name in UNIT_NAMES}
        return sizes[voltage.microvolts]
    text = raw.strip(b" \0\t").decode("latin-1")
    return ("degC" if text == "°C" else text) if text in _UNITS else ""


def neutral_prefilter(text: str) -> str:
    """The parts of a prefilter text that state a filter, each kind once, in the standard's form.

    Examples
    --------
    >>> neutral_prefilter("HP: 20 Hz by Harry, LP:450Hz")
    'HP:20Hz LP:450Hz'
    """
    parts = {kind.upper(): f"{value}{unit}" for kind, value, unit in _FILTER.findall(text)}
    return " ".join(f"{kind}:{value}" for kind, value in parts.items())


def neutral_mark(text: str) -> str:
    """The word for the kind of a mark, its sleep stage; empty for any other text.

    Examples
    --------
    >>> neutral_mark("Licht aus (Jansen)"), neutral_mark("Sleep stage N2"), neutral_mark("Jansen")
    ('Lights off', 'Sleep stage N2', '')
    """
    own = text.partition("@@")[0]
    kind = classify(own)
    # every word of a stage's text is one of a closed list
    return " ".join(re.findall(r"[\w?]+", own)) if kind == "stage" else MARK_WORDS.get(kind, "")
