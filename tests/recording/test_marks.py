"""What the texts of marks mean."""

from __future__ import annotations

import pytest

from sleepbrux.recording.marks import classify, suggest

SPELLINGS = {
    "lights_off": [
        "lights off",
        "LIGHTS OFF",
        "Lights-Off",
        "lights_off",
        "LightsOff",
        "Lights out",
        "light off",
        "Lights Off 23:04:11",
        "** lights off **",
        "L-Off",
        "Licht aus",
        "Licht ausgeschaltet",
        "Lumières éteintes",
        "Luces apagadas",
        "lights were turned off",
    ],
    "lights_on": ["lights on", "LIGHTS ON", "Light-On", "Licht an", "Licht ein", "Luces encendidas"],
    "clench": [
        "clench",
        "Clench 2",
        "MVC",
        "mvc3",
        "MVIC",
        "Max voluntary contraction",
        "maximum bite",
        "bite down",
        "Zubeissen",
        "zusammenbeißen",
    ],
    "rest": ["rest", "Resting baseline", "relaxed jaw", "Ruhe", "repos"],
    "sync": ["sync", "SYNC pulse", "synchronisation"],
    "stage": [
        "Sleep stage W",
        "Sleep stage N2",
        "Sleep stage ?",
        "Sleep stage 4",
        "Stage 2",
        "stage - REM",
        "N3",
        "REM",
        "R",
        "W",
        "S2",
        "SLEEP-S2",
        "Sleep stage M",
    ],
    "": [
        "",
        "cough",
        "Recording starts",
        "lights on/off",
        "clench stop",
        "unclench",
        "restless",
        "arrest",
        "2",
        "snore",
        "light snoring",
        "wake up call",
        "L on R",
    ],
}


@pytest.mark.parametrize(
    ("kind", "text"), [(kind, text) for kind, texts in SPELLINGS.items() for text in texts]
)
def test_a_text_says_what_it_says(kind, text):
    assert classify(text) == kind


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Ligths off", "lights_off"),
        ("lighs of", "lights_off"),
        ("Lihgts out", "lights_off"),
        ("lihgts on", "lights_on"),
        ("lights o", "lights_off or on"),
        ("lights om", "lights_off or on"),
        ("luces apagads", "lights_off"),
        ("lights off", ""),
        ("highlights", ""),
        ("snoring", ""),
        ("", ""),
    ],
)
def test_a_misspelt_lights_mark_is_suggested_and_never_taken(text, kind):
    assert suggest(text) == kind
    if kind:
        assert classify(text) == ""
