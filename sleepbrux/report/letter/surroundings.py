"""What was recorded besides the jaw muscles, as a letter says it."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.export.sharing import HIDDEN
from sleepbrux.report.awake import letter_line
from sleepbrux.report.numbers import listed, text
from sleepbrux.scoring.night import Night

SHOWN = {
    "episodes_per_hour_of_sleep": "episodes per hour of staged sleep",
    "episodes_outside_wake_per_hour": "episodes outside wake, per hour",
    "episodes_in_probable_sleep_per_hour": "episodes in probable sleep (an estimate), per hour",
    "episodes_outside_movement_per_hour": "episodes outside body movements, per hour",
    "episodes_outside_wake_and_movement_per_hour": "episodes outside wake and body movements, per hour",
    "body_movements_per_hour": "body movements per hour",
    "median_heart_rate_rise_pct": "median rise of heart rate before an episode, %",
    "episodes_with_sound_count": "episodes with a sound",
    "episodes_with_grinding_like_sound_count": "episodes with a grinding-like sound",
    "episodes_near_respiratory_event_count": "episodes near a marked respiratory event",
    "episodes_near_respiratory_event_by_chance": "as many would lie there by chance",
}
NOTHING = "Only the jaw muscles were used: no sleep stages, heart rate, body movement, position, sound or breathing."


def _sources(night: Night) -> list[str]:
    surroundings = night.swept.surroundings
    found = []
    if surroundings.stages is not None:
        origin = surroundings.stages.origin
        found.append("sleep stages" if HIDDEN in origin else f"sleep stages ({origin})")
    if surroundings.heart is not None:
        found.append("heart beats")
    if surroundings.wake_probability is not None:
        found.append("an estimate of wake from them")
    if surroundings.wake_estimate is not None:
        found.append("accelerometer")
    if night.labels.movement_known:
        found.append("body movements")
    if surroundings.position is not None:
        found.append("body position")
    if surroundings.sound is not None:
        found.append("sound")
    if night.labels.breathing_events:
        found.append("respiratory events as marked in the recording")
    return found


def signals(nights: Sequence[Night]) -> list[str]:
    """What else there was, in a sentence."""
    found = list(dict.fromkeys(source for night in nights for source in _sources(night)))
    if not found:
        return [NOTHING]
    several = " in at least one night" if len(nights) > 1 else ""
    estimates = letter_line(nights[0]) if len(nights) == 1 else []
    return [f"Also recorded{several}: {listed(found)}.", *estimates]


def around_rows(nights: Sequence[Night]) -> list[list[str]]:
    """Measures of it: what, its value or its lowest and highest over the nights, and its basis."""
    rows = []
    for name, label in SHOWN.items():
        found = [night.measures[name] for night in nights if name in night.measures]
        known = [m for m in found if m.value is not None]
        if not known:
            continue
        low, high = (pick(m.value or 0.0 for m in known) for pick in (min, max))
        value = text(low, known[0].unit)
        if len(nights) > 1:
            value += f"–{text(high, known[0].unit)} ({len(known)} nights)"
        rows.append([label, value, known[0].basis])
    return rows
