"""Which muscle a label names: labels of clinical files, and spellings and traps of our own."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path

import pytest

from sleepbrux.recording.labels import recognise, unique_labels

SEEN = Path(__file__).resolve().parents[3] / "shared" / "data" / "labels" / "psg_channel_labels.json"
seen = pytest.mark.skipif(not SEEN.is_file(), reason="the list of clinical labels is not on this machine")

# Every jaw label of the clinical list, with what it must be read as.
JAW_SEEN = {
    "Left Masseter 1": ("left", "masseter"),
    "Left Masseter 2": ("left", "masseter"),
    "MASSETE": ("", "masseter"),
    "Mass-L": ("left", "masseter"),
    "Mass-LR": ("both", "masseter"),
    "Mass-R": ("right", "masseter"),
    "Massater 1": ("", "masseter"),
    "Massater 2": ("", "masseter"),
    "Masset.": ("", "masseter"),
    "Masseter 1": ("", "masseter"),
    "Masseter 2": ("", "masseter"),
    "Masseter-L": ("left", "masseter"),
    "Masseter-R": ("right", "masseter"),
    "Right Masseter 1": ("right", "masseter"),
    "Right Masseter 2": ("right", "masseter"),
    "Right-Masseter1": ("right", "masseter"),
    "Temporalis-L": ("left", "temporalis"),
    "Temporalis-R": ("right", "temporalis"),
}

# Roles by the first letters of the other labels of its group "emg"; the longest start wins.
OTHER_SEEN = {
    "arm": (
        "ARM",
        "Arm",
        "L Arm",
        "L-Arm",
        "LArm",
        "R Arm",
        "R-Arm",
        "RArm",
        "Right Arm",
        "Right arm",
        "Flexor",
        "Extensor",
    ),
    "chin": ("CHIN", "Chin", "chin", "EMG Chin", "L Chin", "LChin", "R Chin", "RChin"),
    "leg": (
        "LEG",
        "Leg",
        "L Leg",
        "L-LEG",
        "L-Leg",
        "LLEG",
        "LLeg",
        "Left Leg",
        "R Leg",
        "R-LEG",
        "R-Leg",
        "RLEG",
        "RLeg",
        "Right Leg",
        "Foot",
        "Feet",
    ),
    "neck": ("SCM", "Scalene", "Should."),
    "emg": ("EMG", "L EMG", "R EMG", "LEMG", "Integral EMG"),
    "respiration": ("InterEMG", "RIC EMG", "RIP", "Pressur"),
    "pulse": ("Pleth",),
    "other": ("Ext",),
}


def group(name: str) -> list[str]:
    labels: list[str] = json.loads(SEEN.read_text("utf-8"))[name]
    assert len(labels) > 20
    return labels


def expected_role(label: str) -> str:
    starts = [(len(s), role) for role, all_ in OTHER_SEEN.items() for s in all_ if label[: len(s)] == s]
    return max(starts)[1]


@seen
def test_every_clinical_spelling_of_a_jaw_muscle_is_found_with_its_side():
    found = {}
    for label in group("emg"):
        role, side, muscle = recognise(label)
        if role == "jaw":
            found[label] = (side, muscle)
    assert found == JAW_SEEN


@seen
def test_legs_arms_and_chins_are_never_taken_for_jaw_and_keep_their_role():
    for label in group("emg"):
        if label not in JAW_SEEN:
            assert (label, recognise(label)[0]) == (label, expected_role(label))


def stated_side(label: str) -> str:
    """Side of a limb label: its first letter or word, or the one behind the limb's name."""
    limb = r"(?:arms?|legs?|chin|foot|feet|flexor|extensor)"
    front = re.match(rf"(l|r)(?:eft|ight)?[ -]?{limb}", label, re.IGNORECASE)
    behind = re.match(rf"{limb}[ _/(-]?(l|r)(?:eft|ight)?(?![a-z])", label, re.IGNORECASE)
    letter = (front or behind or ["", ""])[1].lower()
    return {"l": "left", "r": "right", "": ""}[letter]


@seen
def test_sides_of_the_clinical_limbs_follow_the_letter_or_word():
    sides = Counter()
    for label in group("emg"):
        role, side, _ = recognise(label)
        if role in {"leg", "arm", "chin"} and label != "L Chin-R Chin":
            assert (label, side) == (label, stated_side(label))
            sides[side] += 1
    assert min(sides["left"], sides["right"]) > 30
    assert recognise("L Chin-R Chin") == ("chin", "both", "")


@seen
def test_ecg_labels_are_ecg():
    assert {recognise(label)[0] for label in group("ecg")} == {"ecg"}


# What the clinical list of respiration holds besides respiration, by what only those labels contain.
BESIDE_SEEN = {
    "pulse": r"ppg|^h\.?r\.?|heart|pulse",
    "audio": r"^mic|^snor",
    "oximetry": r"o2.masimo|s[pa][o0]2",
}


@seen
def test_respiration_labels_are_respiration_pulse_snoring_or_oximetry_each_as_it_says():
    for label in group("respiration"):
        roles = [r for r, own in BESIDE_SEEN.items() if re.search(own, label, re.IGNORECASE)]
        assert (label, recognise(label)) == (label, ((roles or ["respiration"])[-1], "", ""))


@pytest.mark.parametrize(
    ("role", "labels"),
    [
        ("ecg", ["ECG", "EKG1", "ECG II", "L ECG", "EKG-R"]),
        (
            "respiration",
            [
                "Flow",
                "Flow_dr",
                "Fluss",
                "PTAF",
                "Nasal Pressure",
                "Thorax",
                "Abdomen",
                "Atmung",
                "RIPsum",
                "CPAP",
                "EtCO2",
                "Effort Tho",
                "Atem",
            ],
        ),
        (
            "audio",
            [
                "Audio",
                "Audio Volume",
                "Mic",
                "Microphone",
                "Mikrofon",
                "Sound",
                "Snore",
                "Schnarchen",
                "Tracheal",
            ],
        ),
        (
            "accelerometer",
            [
                "ACC X",
                "AccX",
                "acc_y",
                "Accel Z",
                "Accelerometer X",
                "Gyro X",
                "Actigraphy",
                "Beschleunigung X",
                "Movement",
            ],
        ),
        ("position", ["Pos", "Pos.", "Posn", "Position", "Body Pos", "BodyPosition", "Lage", "Körperlage"]),
        ("oximetry", ["SpO2", "SPO2", "Sa02", "SpO2 BB", "O2 Sat", "SAT", "Oximetry", "Sättigung", "Osat"]),
        ("pulse", ["Pulse", "Puls", "Pleth", "PPG", "HR", "Heart Rate", "Pulse-1"]),
    ],
)
def test_our_spellings_of_what_is_no_muscle(role, labels):
    assert {label: recognise(label) for label in labels} == dict.fromkeys(labels, (role, "", ""))


@seen
def test_eeg_and_eog_labels_are_eeg_or_eog():
    for label in group("eeg_eog"):
        eyes = any(word in label for word in ("EOG", "LOC", "ROC", "E1", "E2"))
        assert (label, recognise(label)[0]) == (label, "eog" if eyes else "eeg")


@pytest.mark.parametrize(
    ("label", "side"),
    [
        ("Masseter left", "left"),
        ("MASS_R", "right"),
        ("LMasseter", "left"),
        ("EMG Mas L", "left"),
        ("EMG MassL", "left"),
        ("MasseterLeft", "left"),
        ("MASSETER_LEFT", "left"),
        ("R. masseter", "right"),
        ("RMM", "right"),
        ("LMas", "left"),
        ("Masseter li", "left"),
        ("Masseter re", "right"),
        ("EMG Masseter links", "left"),
        ("Masséter gauche", "left"),
        ("masseter droit", "right"),
        ("Masetero izq", "left"),
        ("Massetere sx", "left"),
        ("Massetere dx", "right"),
        ("Masseter direito", "right"),
        ("Masetero derecho", "right"),
        ("M. masseter dexter", "right"),
        ("M. masseter sinister", "left"),
        ("Masseter bilateral", "both"),
        ("EMG Masseter L-R", "both"),
        ("EMG masseter", ""),
        ("MAS", ""),
        ("mass", ""),
        ("咬筋 左", "left"),
    ],
)
def test_our_spellings_of_the_masseter(label, side):
    assert recognise(label) == ("jaw", side, "masseter")


@pytest.mark.parametrize(
    ("label", "side"),
    [
        ("Temporalis R", "right"),
        ("TempR", "right"),
        ("Temp L", "left"),
        ("RTemp", "right"),
        ("EMG Temp", ""),
        ("EMG Temp L", "left"),
        ("Temporalis anterior left", "left"),
        ("L. temporalis", "left"),
        ("側頭筋 右", "right"),
    ],
)
def test_our_spellings_of_the_temporalis(label, side):
    assert recognise(label) == ("jaw", side, "temporalis")


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("Jaw", ("jaw", "", "")),
        ("Kaumuskel rechts", ("jaw", "right", "")),
        # Temporalis anterior or tibialis anterior: muscle unknown, the user must say it.
        ("EMG-TA L", ("emg", "left", "")),
        ("LTA", ("emg", "left", "")),
        ("TA-R", ("emg", "right", "")),
        # Anterior tibialis.
        ("LAT", ("leg", "left", "")),
        ("RAT", ("leg", "right", "")),
        # No muscle is named, so none is guessed.
        ("EMG", ("emg", "", "")),
        ("EMG1", ("emg", "", "")),
        ("EMG L", ("emg", "left", "")),
        ("chin1", ("chin", "", "")),
        ("Submental", ("chin", "", "")),
    ],
)
def test_labels_of_other_or_unnamed_muscles(label, expected):
    assert recognise(label) == expected


@pytest.mark.parametrize(
    ("label", "role"),
    [
        ("Temp", "other"),
        ("TEMP1", "other"),
        ("Temperature", "other"),
        ("Temperature L", "other"),
        ("Skin temp", "other"),
        ("Body Temp", "other"),
        ("Rectal temp", "other"),
        ("Temp C", "other"),
        ("Mass flow", "respiration"),
        ("MassFlow", "respiration"),
        ("Mass flow L", "respiration"),
        ("Mass Spec CO2", "respiration"),
        ("Body mass", "other"),
        ("Mask Pressure", "respiration"),
        ("Mask", "other"),
        ("Masimo PR", "other"),
        ("Mastoid L", "other"),
        ("Massage", "other"),
        ("Master clock", "other"),
        ("M1", "eeg"),
        ("EEG Temporal", "eeg"),
        ("ECG Mass", "ecg"),
        ("Jawbone HR", "pulse"),
    ],
)
def test_traps_are_no_jaw_muscle(label, role):
    assert recognise(label) == (role, "", "")


@pytest.mark.parametrize(
    ("raw", "unique"),
    [
        (["EMG", "", "EMG", "ECG"], ["EMG#1", "ch2", "EMG#2", "ECG"]),
        (["ch2", ""], ["ch2#1", "ch2#2"]),
        (["A", "A", "A#1", "A#1"], None),
        (["", "", "ch1#1", "ch1"], None),
    ],
)
def test_labels_become_unique_whatever_they_are(raw, unique):
    result = unique_labels(raw)
    assert len(set(result)) == len(raw)
    assert all(result)
    assert unique is None or result == unique
