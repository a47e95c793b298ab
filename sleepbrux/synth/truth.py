"""The truth of a rendered recording, as a JSON file beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sleepbrux.synth.heart import heart_beats
from sleepbrux.synth.night import SIDES, Burst, Group, NightPlan, Side, TrueEpisode

Truth = dict[str, Any]


def _burst(burst: Burst, side: Side, mvc_uv: float) -> Truth:
    start_s, stop_s = burst.span_on(side)
    share = burst.amplitude_on(side)
    return {
        "start_s": round(start_s, 4),
        "stop_s": round(stop_s, 4),
        "amplitude_mvc": round(share, 4),
        "amplitude_uv": round(share * mvc_uv, 2),
    }


def _group(group: Group, plan: NightPlan) -> Truth:
    bursts = {
        side: [_burst(burst, side, mvc_uv) for burst in group.on(side)]
        for side, mvc_uv in zip(SIDES, plan.mvc_uv, strict=True)
    }
    ends = [(b["start_s"], b["stop_s"]) for found in bursts.values() for b in found]
    kind = {"kind": group.kind} if isinstance(group, TrueEpisode) else {}
    return kind | {
        "start_s": min(start for start, _ in ends),
        "stop_s": max(stop for _, stop in ends),
        "sides": [side for side in SIDES if bursts[side]],
        "bursts": bursts,
    }


def _sided(values: Sequence[float]) -> Truth:
    return {side: round(value, 3) for side, value in zip(SIDES, values, strict=True)}


def truth_of(plan: NightPlan, **about: str | float) -> Truth:
    """What a perfect scorer would find, ready for JSON.

    Parameters
    ----------
    plan
        The plan that was rendered.
    about
        More to say of the recording, such as ``name``, ``condition`` or ``rate_hz``.
    """
    rest_uv = [gain * rest for gain, rest in zip(plan.gain, plan.background.rest_uv, strict=True)]
    groups = ("episodes", "isolated", "twitches", "awake")
    return (
        {"invented": True, **about, "seed": plan.seed, "duration_s": plan.duration_s}
        | {"lights_off_s": plan.lights_off_s, "lights_on_s": plan.lights_on_s}
        | {"mvc_uv": _sided(plan.mvc_uv), "gain": _sided(plan.gain), "rest_uv": _sided(rest_uv)}
        | {"noise_uv": plan.background.noise_uv}
        | {name: [_group(group, plan) for group in getattr(plan, name)] for name in groups}
        | {
            "clenches": [
                {"text": text, "bursts": _group(Group((burst,)), plan)["bursts"]}
                for text, burst in plan.clenches
            ],
            "cues": [vars(cue) for cue in plan.cues],
            "electrode_off": [vars(off) for off in plan.electrode_off],
            "gaps": [list(gap) for gap in plan.gaps],
            "beats_s": np.round(heart_beats(plan), 3).tolist(),
        }
    )


def truth_path(recording: Path) -> Path:
    """``NIGHT.truth.json`` beside ``NIGHT.edf``."""
    return recording.with_suffix(".truth.json")


def write_truth(truth: Truth, recording: Path) -> Path:
    """Write the truth beside its recording, one event a line where that is readable."""
    path = truth_path(recording)
    lines = [f"{json.dumps(key)}: {_value(value)}" for key, value in truth.items()]
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    return path


def _value(value: object) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n  " + ",\n  ".join(json.dumps(item) for item in value) + "\n]"
    return json.dumps(value)
