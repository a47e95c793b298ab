"""What confounders cost a count, and what other signals give back, in generated nights.

``python -m tests.context_table [--nights N]`` prints the table. It describes this generator at these assumed
rates and nothing else: no figure of it belongs into a report or into the README.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from sleepbrux import reference as calibration
from sleepbrux.core.matching import match_events
from sleepbrux.criteria import Criterion, from_table, load_criterion
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.window import find_window
from sleepbrux.scoring.context.model import OTHER, YES
from sleepbrux.scoring.night import Night, score
from sleepbrux.signal.surroundings.model import Surroundings
from sleepbrux.signal.swept import Swept, sweep_recording
from sleepbrux.synth.channels import write_around
from sleepbrux.synth.confounders import KINDS, Around, AroundPlan, plan_around
from sleepbrux.synth.layout import Recipe

CAPTION = "in this generator, at these assumed rates"
RATES = {
    "short wakes": 6.0,
    "long wakes": 2.0,
    "body movements": 6.0,
    "sleep talking": 4.0,
    "chewing": 3.0,
    "swallows": 8.0,
}
EPISODES_PER_HOUR = 8.0
HOURS = 1.1
BASE = load_criterion("phasic_tonic_10mvc")
RISE = {"rise_pct": 10.0, "comparison": ">=", "within_s": 5.0, "baseline": "running"}


@dataclass(frozen=True)
class Tally:
    """Events of the truth, events counted, and how many of them match."""

    truth: int = 0
    counted: int = 0
    matched: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.truth + other.truth, self.counted + other.counted, self.matched + other.matched)

    def __str__(self) -> str:
        if not self.counted or not self.truth:
            return "n/a"
        return f"{self.matched / self.counted:.2f} / {self.matched / self.truth:.2f}"


def ruled(*, heart: bool = False, **context: str) -> Criterion:
    """The base rules, with a rise of the heart rate asked for, or with events dropped."""
    table = msgspec.to_builtins(BASE) | {"id": "table"}
    if heart:
        table["heart_rate"] = RISE
    table["context"] |= context
    return from_table(table, "table")


def only(surroundings: Surroundings, *names: str, roles: tuple[str, ...] = ()) -> Surroundings:
    """Surroundings as if only these signals had been recorded."""
    kept = {name: getattr(surroundings, name) for name in names}
    return Surroundings(
        activity_channels=tuple(r for r in surroundings.activity_channels if r.role in roles), **kept
    )


WAYS: dict[str, tuple[Criterion, tuple[str, ...], tuple[str, ...]]] = {
    "EMG alone": (BASE, (), ()),
    "EMG, labels": (BASE, (), ()),
    "heart rate": (ruled(heart=True), ("heart",), ()),
    "leg": (ruled(movement="drop"), (), ("leg",)),
    "wrist": (ruled(movement="drop", wake="drop_probable"), ("wake_estimate",), ("accelerometer",)),
    "stages": (ruled(wake="drop_scored"), ("stages",), ()),
    "sound": (BASE, ("sound",), ()),
    "all but sound": (
        ruled(heart=True, movement="drop", wake="drop_scored"),
        ("heart", "stages"),
        ("leg", "accelerometer"),
    ),
}


def counted(night: Night, way: str) -> np.ndarray:
    """Start and stop of the events that count in one way, seconds, shape (n, 2)."""
    index, labels = night.selection.episodes, night.labels
    if way == "EMG, labels":
        index = index[labels.other[index] == OTHER.index("")]
    if way == "sound":
        index = index[labels.grinding[index] == YES]
    table = night.episodes
    return np.stack((table.starts[index], table.stops[index]), axis=1) * float(table.grid.slot_s)


def tallies(swept: Swept, planned: AroundPlan) -> dict[str, Tally]:
    """One night in every way."""
    window = find_window(swept.marks, swept.duration_s)
    mvc = dict(zip([f.channel.label for f in swept.frames], planned.plan.mvc_uv, strict=True))
    reference = calibration.given(list(mvc), mvc)
    truth = np.array([(e.start_s, e.stop_s) for e in planned.plan.episodes]).reshape(-1, 2)
    out = {}
    for way, (rule, names, roles) in WAYS.items():
        seen = replace(swept, surroundings=only(swept.surroundings, *names, roles=roles))
        night = score(seen, criterion=rule, window=window, reference=reference)
        matching = match_events(truth, counted(night, way))
        out[way] = Tally(matching.n_reference, matching.n_estimate, matching.found)
    return out


def nights(rates: dict[str, float], n: int) -> Iterator[tuple[Swept, AroundPlan]]:
    """Generated nights with these confounders, swept."""
    recipe = Recipe(hours=HOURS, episodes_per_hour=EPISODES_PER_HOUR, awake_s=60.0, settle_s=60.0)
    for seed in range(n):
        planned = plan_around(recipe, Around(dict(rates)), seed=100 + seed)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "night.edf"
            write_around(planned, path, channels=("ecg", "leg", "wrist", "sound"))
            yield sweep_recording(open_recording(path)), planned


def main() -> int:
    """Print the table as it would stand in a document of developers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=3, help="nights of 1.1 h a row")
    n = parser.parse_args().nights
    out = sys.stdout
    out.write(f"Precision / recall of episodes {CAPTION}, {n} nights of {HOURS} h a row,\n")
    out.write(f"{EPISODES_PER_HOUR:g} true episodes an hour; confounders an hour: ")
    out.write(", ".join(f"{kind} {RATES[kind]:g}" for kind in KINDS) + ".\n")
    out.write("Four of five true episodes and of the body movements come with a rise of the heart rate, all ")
    out.write("wakes do;\nhalf of the true episodes with a grinding sound; two of five short wakes turn ")
    out.write("the wrist.\n\n")
    out.write("| confounder | " + " | ".join(WAYS) + " |\n| --- |" + " --- |" * len(WAYS) + "\n")
    for kind in ("none", *KINDS, "all of them"):
        rates = RATES if kind == "all of them" else {k: v for k, v in RATES.items() if k == kind}
        total = {way: Tally() for way in WAYS}
        for swept, planned in nights(rates, n):
            for way, tally in tallies(swept, planned).items():
                total[way] += tally
        out.write(f"| {kind} | " + " | ".join(str(total[way]) for way in WAYS) + " |\n")
        out.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
