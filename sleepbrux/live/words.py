"""What the screen says: cautions, instructions, and nothing that praises, scores or urges."""

from __future__ import annotations

from sleepbrux.live.protocol import Phase

CAUTIONS = (
    "Battery-powered, isolated equipment only while a person is connected: no charger, and no cable to anything "
    "on the mains.",
    "Stop when clenching hurts.",
    "For measuring only: no treatment by what the screen shows. Turn the screen away from the patient.",
    "Local rules and licensed practice come first.",
)
SAID: dict[Phase, str] = {
    "check": "Electrode check: let the jaw hang loose, then say the alphabet once. Look at each channel below.",
    "ready": "Ready. Next: {condition}.",
    "rest": "Rest: sit still, teeth apart, jaw loose.",
    "between": "Rest: teeth apart.",
    "countdown": "Back teeth together.",
    "clench": "Now: bite as hard as you can and keep pushing.",
    "pause": "Pause before {condition}.",
    "done": "The protocol is done. Add a trial, or end the session.",
}
PUT_IN = {True: "Nothing between the teeth.", False: "{condition} between the teeth."}
