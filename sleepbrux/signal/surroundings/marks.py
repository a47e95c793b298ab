"""What marks say of position and breathing."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from sleepbrux.recording.marks import plain_words
from sleepbrux.recording.model import Mark
from sleepbrux.signal.surroundings.model import Floats, Position

_POSITIONS = (
    ("supine", re.compile(r"\bsupine\b|\bon (?:the )?back\b|\bruckenlage|\bdorsal\b")),
    ("prone", re.compile(r"\bprone\b|\bon (?:the )?(?:stomach|front|belly)\b|\bbauchlage|\bventral\b")),
    ("left side", re.compile(r"\bleft (?:side|lateral|decubitus)|\blinkslage|\blinke seite")),
    ("right side", re.compile(r"\bright (?:side|lateral|decubitus)|\brechtslage|\brechte seite")),
    ("upright", re.compile(r"\bupright\b|\bsitting\b|\bstanding\b")),
)
_BREATHING = re.compile(
    r"\b(?:obstructive|central|mixed|obstr|cent)?\s*(?:apno?ea|hypopno?ea|apnoe|hypopnoe|apnee|hypopnee)s?\b"
    r"|\brera\b|\brespiratory event\b"
)


def _until_next(starts: Sequence[float], lengths: Sequence[float], end_s: float) -> Floats:
    """Stretches from marks: as long as they say, else until the next one; none past the next one."""
    after = [*starts[1:], end_s]
    stops = [
        min(a + length, b) if length > 0 else b for a, length, b in zip(starts, lengths, after, strict=True)
    ]
    return np.stack((np.array(starts), np.array(stops)), axis=1).reshape(-1, 2)


def position_of(marks: Sequence[Mark], end_s: float) -> Position | None:
    """Body position from the marks of a recording; None without one."""
    found = []
    for mark in sorted(marks, key=lambda m: m.start_s):
        plain = plain_words(mark.text)
        said = [name for name, pattern in _POSITIONS if pattern.search(plain)]
        if len(said) == 1:
            found.append((mark.start_s, mark.duration_s, said[0]))
    if not found:
        return None
    names = tuple(dict.fromkeys(name for _, _, name in found))
    spans = _until_next([a for a, _, _ in found], [d for _, d, _ in found], end_s)
    codes = np.array([names.index(name) for _, _, name in found], dtype=np.int8)
    keep = spans[:, 1] > spans[:, 0]
    return Position(spans[keep], codes[keep], names, "position marks in the recording")


def breathing_events(marks: Sequence[Mark]) -> Floats:
    """Respiratory events that marks tell of: float64, shape (n, 2), start and stop in seconds."""
    found = sorted(
        (m.start_s, m.start_s + m.duration_s) for m in marks if _BREATHING.search(plain_words(m.text))
    )
    return np.array(found, dtype=np.float64).reshape(-1, 2)
