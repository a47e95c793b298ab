"""What the sheets say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sleepbrux.reference import NATURAL
from sleepbrux.reference.clench_test import balanced_order
from sleepbrux.report.sheets.drawing import Placement, placement
from sleepbrux.study.file import FILL_IN, NO_APPLIANCE, Study

Part = dict[str, Any]
TRIALS = 3
PLANNED = ("Masseter L", "Masseter R")
SCRIPT = (
    "“Sit upright, head free, jaw loose, lips closed, teeth apart. Keep still for twenty seconds.” … “Now "
    "put your back teeth together. When I say now, bite as hard as you can and keep pushing until I say "
    "stop. Now — two — three — stop. Let go, teeth apart.” Ten seconds of rest, then again, with the same "
    "words and the same voice."
)
SITES = {
    "masseter": "on the belly of the muscle, felt while clenching, half-way between cheekbone and jaw angle",
    "temporalis": "in front of the hairline, on the part that bulges while clenching, along the fibres",
    "": "on the belly of the muscle, felt while clenching, along the fibres",
}


def part(
    heading: str,
    lines: Sequence[str] = (),
    *,
    numbered: bool = False,
    said: str = "",
    heads: Sequence[str] = (),
    rows: Sequence[Sequence[str]] = (),
    widths: Sequence[float] = (),
    small: str = "",
    ticked: bool = False,
    drawing: Placement | None = None,
    new_page: bool = False,
) -> Part:
    """One part of a sheet."""
    return {
        "heading": heading,
        "lines": list(lines),
        "numbered": numbered,
        "said": said,
        "heads": list(heads),
        "rows": [list(r) for r in rows],
        "widths": list(widths),
        "small": small,
        "ticked": ticked,
        "drawing": {"svg": drawing.svg, "alt": drawing.alt} if drawing else None,
        "new_page": new_page,
    }


def appliances(study: Study) -> list[str]:
    """Conditions with something in the mouth, in the order in which the study names them."""
    names = (*study.conditions, *(n.condition for n in study.night))
    return [c for c in dict.fromkeys(names) if c not in (NO_APPLIANCE, FILL_IN)]


def _undecided(study: Study) -> bool:
    return any(n.condition == FILL_IN for n in study.night)


def _mark(condition: str) -> str:
    return "Clench natural teeth" if condition == NATURAL else f"Clench with {condition}"


def _channels(study: Study, recorded: Sequence[str]) -> list[tuple[str, str, str]]:
    """Label, muscle and side of each channel: of the study file, else of the recording, else of the plan."""
    from sleepbrux.recording.labels import recognise, role_named

    said = {label: role_named(text) for label, text in study.roles.items()}
    jaw = tuple(label for label, (role, _, _) in said.items() if role == "jaw")
    found: list[tuple[str, str, str]] = []
    for label in study.channels or jaw or tuple(recorded) or PLANNED:
        _, side, muscle = said.get(label) or recognise(label)
        found.append((label, muscle, side))
    return found


def _sites(channels: Sequence[tuple[str, str, str]]) -> list[list[str]]:
    return [
        [label, muscle or "not named", side or "not named", SITES.get(muscle, SITES[""]), ""]
        for label, muscle, side in channels
    ]


def _placement(channels: Sequence[tuple[str, str, str]]) -> Placement | None:
    muscles: dict[str, list[str]] = {}
    for label, muscle, _ in channels:
        muscles.setdefault(muscle, []).append(label)
    muscles.pop("", None)
    return placement(muscles) if muscles else None


def chair_words(study: Study, person: int, recorded: Sequence[str] = ()) -> list[Part]:
    """The chair sheet.

    Parameters
    ----------
    recorded
        Labels of the jaw channels of a recording, where there is one.
    """
    channels = _channels(study, recorded)
    order = balanced_order(appliances(study), person)
    rows = [[str(k), c, _mark(c), "☐ ☐ ☐", ""] for k, c in enumerate(order, start=1)]
    return [
        part(
            "Before",
            [
                "The recorder runs on its battery: it is not charging and no cable leads to anything on the "
                "mains, now or in the night.",
                "No electrode on broken or irritated skin; no known allergy to the adhesive.",
                "If sound is recorded: consent of the patient, and of everybody else who may be heard, a bed "
                "partner above all. Without it the microphone stays off.",
                "Recorder: EMG at 1000 samples a second or more, filters 20–450 Hz or wider, notch off. Note "
                "gain and filter: ____________________",
            ],
            ticked=True,
        ),
        part(
            "Skin and electrodes",
            [
                "Shave where needed, rub with alcohol or abrasive paste until slightly red, let it dry.",
                "Two electrodes for each muscle along the fibres, centres 20 mm apart, conducting surface at "
                "most 10 mm long (SENIAM, from memory); the common electrode over bone: mastoid or forehead "
                "(common practice, no source).",
                "Write the distance of the middle of each pair from two landmarks (corner of the eye, tragus), "
                "so that they come to the same place at home; mark them on a photograph if the patient agrees.",
            ],
            heads=("channel", "muscle", "side", "where", "distances, mm"),
            rows=_sites(channels),
            widths=(2.2, 1.6, 1.2, 5, 3),
            drawing=_placement(channels),
        ),
        part(
            "Clench test",
            [
                f"Order: {', '.join(order)}. Natural teeth first and last, so that fatigue can be separated "
                f"from the appliances; the order of the appliances is balanced over patients (number {person} here).",
                f"Each condition: 20 s of rest, then {TRIALS} clenches of 3 s, some 10 s apart. At least 60 s of "
                "rest between conditions.",
                "Put a mark of 3 s on every clench and of 20 s on every rest, with the words of the table "
                "(for rest: Rest). Stop at once if it hurts.",
                "The same words each time, no cheering:",
            ],
            new_page=True,
            said=SCRIPT,
            heads=("no.", "between the teeth", "text of the mark", "done", "pain 0–10, remarks"),
            rows=rows,
            widths=(0.7, 3.2, 3.6, 1.2, 3),
        ),
        part(
            "Afterwards",
            [
                "Copy the recording and have the clenches measured before the patient leaves: rest, level, "
                "repeatability. If they are refused or warned of, repeat them.",
                "Look at the conditions side by side. A chairside level is not a night-time effect.",
                "Show the patient the home script once, and hand out the patient sheet.",
            ],
            ticked=True,
            small="Why every night starts with its own clenches: electrodes placed anew "
            "change the gain, and with it every % MVC. A clench with an appliance in is another reference; "
            "no night is scored against it unless that is asked for.",
        ),
    ]


def patient_words(study: Study, recorded: Sequence[str] = ()) -> list[Part]:
    """The patient sheet.

    Parameters
    ----------
    recorded
        As in `chair_words`.
    """
    worn = appliances(study) or _undecided(study)
    put_in = (
        "Only now put the appliance in, if the table says so for tonight, and write down the time."
        if worn
        else "No appliance is worn in these nights."
    )
    return [
        part(
            "Every evening",
            [
                "Wash and dry the skin of both cheeks; no cream. Stick the electrodes where the dentist showed "
                "you. Not on sore or broken skin.",
                "The recorder runs on its battery only. Never wear it while it charges or while a cable leads to "
                "a computer or a socket.",
                "Start the recording. Nothing in your mouth yet: no appliance.",
                "Sit still, teeth apart, jaw loose, for 20 seconds.",
                "Put your back teeth together and bite as hard as you can for 3 seconds. Let go, rest for 10 "
                "seconds. Do this three times. Press the mark button at each if there is one. Stop if it hurts.",
                put_in,
                "Lights off: press the mark button, or write down the time.",
            ],
            numbered=True,
        ),
        part(
            "On waking",
            [
                "Lights on: press the mark button, or write down the time.",
                *(["Take the appliance out and write down the time."] if worn else []),
                "Again 20 seconds still, then three hard bites of 3 seconds, 10 seconds apart.",
                "Stop the recording, take the electrodes off, charge the recorder away from the bed.",
                "Fill in the line of the night in the table.",
            ],
            numbered=True,
        ),
        part(
            "If something happens",
            [
                "An electrode comes off and you notice: put a new one in the same place, write down the time, "
                "and go on. If you only see it in the morning: leave it, write it down. Do not tape over it.",
                "The skin itches, burns or turns red: take the electrodes off; tell us before the next night.",
                "You take the appliance out in the night: write down the time. The night is shown, and left out of "
                "the comparison.",
                "You forget the bites: do them on waking, and say so in the table.",
            ],
        ),
        part(
            "Where the electrodes go",
            drawing=_placement(_channels(study, recorded)),
            new_page=True,
        ),
        part(
            "Sound",
            [
                "If the recorder has a microphone, it is switched on only if you and everybody who sleeps in the "
                "room have agreed. Anyone may say no, and the recording goes on without sound.",
            ],
        ),
        part(
            "Your safety",
            [
                "Do not start, stop or change an appliance because of this recording.",
                "Loose, cracked or small appliances can be swallowed or inhaled: do not wear one that is not "
                "whole. A new bite, pain or loose teeth: stop and see the dentist.",
                "Loud snoring, pauses in breathing or great sleepiness by day: tell us; a sleep physician should "
                "know.",
                "Whom to call: ______________________________________________________",
            ],
        ),
    ]


LOG_HEADS = (
    "night",
    "date",
    "tonight wear",
    "appliance in",
    "lights off",
    "lights on",
    "appliance out",
    "jaw pain 0–10",
    "headache 0–10",
    "sleep 0–10",
    "alcohol",
    "caffeine",
    "medicines",
    "electrodes, remarks",
)
WEAR = {NO_APPLIANCE: "nothing", FILL_IN: ""}
EMPTY_LINES = 7
LOG_WIDTHS = (1.45, 1.75, 2.3, 1.35, 1.0, 1.0, 1.35, 0.85, 1.35, 0.85, 1.1, 1.2, 1.45, 2.1)


def log_words(study: Study) -> Part:
    """The table that the patient fills in, one line a night."""
    rows = [
        [
            n.id,
            "" if n.date is None else n.date.isoformat(),
            WEAR.get(n.condition, n.condition),
            *[""] * (len(LOG_HEADS) - 3),
        ]
        for n in study.night
    ] or [[""] * len(LOG_HEADS)] * EMPTY_LINES
    return part(
        "Your nights",
        heads=LOG_HEADS,
        rows=rows,
        widths=LOG_WIDTHS,
        small="Clock times as on the recorder. Pain and headache on waking: 0 none, 10 the worst imaginable. "
        "Sleep: 0 very bad, 10 very good. A breathing device at night: write it under remarks.",
    )
