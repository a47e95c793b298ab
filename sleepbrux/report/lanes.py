"""What a strip draws below its channels: sleep stages, heart rate and who was awake, where the night has them."""

from __future__ import annotations

from typing import Any

import numpy as np

from sleepbrux.scoring.night import Night
from sleepbrux.signal.surroundings.model import STAGES
from sleepbrux.signal.wake import AWAKE_FROM
from sleepbrux.signal.wake_model import EPOCH_S

HEART_STEP_S = 10.0
ORDER = ("wake", "movement", "rem", "n1", "n2", "n3", "nrem", "sleep")
WORDS = {"rem": "REM", "n1": "N1", "n2": "N2", "n3": "N3", "nrem": "NREM", "movement": "moving"}


def stages(night: Night) -> dict[str, Any] | None:
    """Rows of a hypnogram from top to bottom, and its stretches as [start, stop, row]."""
    known = night.swept.surroundings.stages
    if known is None:
        return None
    used = {STAGES[c] for c in known.code.tolist()}
    rows = [word for word in ORDER if word in used]
    spans = [
        [round(a, 2), round(b, 2), rows.index(STAGES[code])]
        for (a, b), code in zip(known.spans_s.tolist(), known.code.tolist(), strict=True)
        if STAGES[code] in rows
    ]
    return {"rows": [WORDS.get(r, r) for r in rows], "spans": spans, "origin": known.origin}


def heart(night: Night) -> dict[str, Any] | None:
    """Median heart rate each ten seconds, beats a minute; null where no interval is trusted."""
    known = night.swept.surroundings.heart
    if known is None:
        return None
    begin, end = known.intervals()
    n = max(int(np.ceil(night.swept.duration_s / HEART_STEP_S)), 1)
    place = np.clip(((begin + end) / 2 / HEART_STEP_S).astype(np.int64), 0, n - 1)
    rate = 60 / (end - begin)
    order = np.lexsort((rate, place))
    bins, first, count = np.unique(place[order], return_index=True, return_counts=True)
    medians = rate[order][first + count // 2]
    bpm: list[int | None] = [None] * n
    for k, value in zip(bins.tolist(), medians.tolist(), strict=True):
        bpm[k] = round(value)
    return {"step_s": HEART_STEP_S, "bpm": bpm, "label": known.label}


def wake_probability(night: Night) -> dict[str, Any] | None:
    """Probability of being awake each 30 s in %, and the share of trusted beats in %; null where unknown."""
    found = night.swept.surroundings.wake_probability
    if found is None:
        return None
    return {
        "step_s": EPOCH_S,
        "pct": [None if np.isnan(p) else round(100 * p) for p in found.probability.tolist()],
        "trusted_pct": [round(100 * share) for share in found.trusted.tolist()],
        "from_pct": round(100 * AWAKE_FROM),
        "label": found.label,
    }
