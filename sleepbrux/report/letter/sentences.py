"""The fixed texts of every letter. They depend on nothing that a recording holds."""

from __future__ import annotations

TITLE = "Jaw-muscle EMG at home"

CANNOT_TELL = (
    "Surface EMG alone, without sleep staging, audio and video, cannot distinguish tooth grinding from "
    "swallowing, talking, movement or wakefulness; it counts too much. Against audio-video polysomnography a "
    "home device missed almost nothing (sensitivity 0.99), but fewer than a quarter of its events were "
    "confirmed (positive predictive value 0.23; Yamaguchi 2012, doi:10.1111/j.1365-2842.2011.02232.x).",
    "Cut-offs of the sleep laboratory do not apply to these counts, and none is applied. Rates are per hour "
    "of the time named; none is per hour of sleep unless it says that sleep was staged.",
    "Counts differ from night to night, in a home study by half of their mean (standard deviation "
    "50.7 %; Miettinen 2018, doi:10.5664/jcsm.7278). Breathing is not scored: nothing here speaks for "
    "or against a disorder of breathing in sleep.",
)

CAUTIONS = (
    (
        "Breathing before a splint",
        "Snoring, sleepiness or witnessed pauses in breathing are looked into by a sleep physician before "
        "any splint is made. In a trial of 10 people an upper occlusal splint raised the apnoea-hypopnoea "
        "index on average from 15.9 to 17.4 per hour (Nikolopoulou).",
    ),
    (
        "Headache",
        "New headache after the age of 50, pain on chewing, tenderness of the scalp or a change of vision "
        "needs a medical assessment on the same day.",
    ),
    (
        "Appliance",
        "Do not start, stop or change an appliance because of this letter. Loose, cracked or small "
        "appliances can be swallowed or inhaled. New bite change, pain or loose teeth: stop and see the "
        "dentist.",
    ),
    (
        "Skin",
        "No electrodes on broken or irritated skin or with a known adhesive allergy; remove them if they "
        "itch or burn. Battery-powered recorder only, never while charging or connected to mains.",
    ),
)

CAUTIONS_HEAD = "Cautions, the same in every letter"
NOT_ENTERED = "Not entered"
AUTOMATIC = "Automatic scoring, not reviewed."
REVIEW_ELSEWHERE = (
    "Automatic scoring. A reader has reviewed at least one of these nights, and those decisions are not in the "
    "archive that this letter is made from."
)
ENTERED = "As entered by the clinician; not measured, not checked."
ROOM = "The clinician's own words"
