"""`python -m tests.blind --seeds N`: where a fault moves the index and nothing says so.

A seed is one clean night with events and one without, every fault once alone and once with another one. Each faulty
night is scored beside its clean one. The index has moved where the rate differs by more than 2 % and by more than
one episode. Drawn without sight of the detectors.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import h5py
import numpy as np

import sleepbrux as sb
from sleepbrux.export.summary import summary
from tests.blind.faults import FAULTS, STRENGTHS
from tests.blind.night import LABELS, MVC_UV, CleanNight, clean_night

# First seed of each named round. A round stays as it was drawn: what is looked at while a detector is mended is
# no longer blind, so the next round takes a name and seeds of its own.
ROUNDS = {
    "first": 71_000,
    "second": 83_000,
    "third": 84_000,
    "fourth": 85_000,
    "fifth": 86_000,
    "sixth": 87_000,
    "seventh": 88_000,
}
HEAD = (
    "| seed | night | fault | rate, clean → faulty (1/h) | moved | false, missed | what the tool said | verdict |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- |"
)


@dataclass(frozen=True)
class Try:
    """One faulty night that is to be scored: its faults by name, each with a word of STRENGTHS."""

    seed: int
    events: bool
    faults: tuple[tuple[str, str], ...]

    @property
    def words(self) -> str:
        return " + ".join(f"{name} {word}" for name, word in self.faults)


@dataclass(frozen=True)
class Scored:
    """What a reader of a scored night has: count, rate, hours, notes, range; and the spans of its episodes."""

    count: float
    rate: float
    hours: float
    excluded_s: float
    warnings: frozenset[str]
    notes: frozenset[str]
    range_per_h: tuple[float, float] | None
    spans_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Outcome:
    tried: Try
    clean: Scored
    faulty: Scored | None
    said: tuple[str, ...]
    verdict: str

    @property
    def moved_per_h(self) -> float:
        off = abs(self.faulty.rate - self.clean.rate) if self.faulty else 0.0
        return 0.0 if np.isnan(off) else off


def tries(seed: int) -> Iterator[Try]:
    """Every fault alone and with the next of a shuffled circle; nights with and without events in turn."""
    rng = np.random.default_rng([seed, 2])
    names, words = list(FAULTS), list(STRENGTHS)
    circle = rng.permutation(len(names))
    partner = {names[a]: names[b] for a, b in zip(circle, np.roll(circle, 1), strict=True)}
    for number, name in enumerate(names):
        events = (number + seed) % 2 == 0
        yield Try(seed, events, ((name, str(rng.choice(words))),))
        pair = sorted((name, partner[name]), key=names.index)
        yield Try(seed, not events, tuple((one, str(rng.choice(words))) for one in pair))


def spoilt(clean: CleanNight, tried: Try) -> np.ndarray:
    signal_uv = clean.signal_uv
    for name, word in tried.faults:
        rng = np.random.default_rng([tried.seed, 3, list(FAULTS).index(name)])
        signal_uv = FAULTS[name](signal_uv, clean.rate_hz, rng, STRENGTHS[word])
    return signal_uv


def scored(signal_uv: np.ndarray, rate_hz: int) -> Scored:
    night = sb.score(signal_uv, rate_hz=rate_hz, labels=list(LABELS), mvc_uv=MVC_UV)
    value = {name: measure.value for name, measure in night.measures.items()}
    moved, episodes = summary(night)["rate_range"], night.to_frame("episodes")
    rate = value["episodes_per_hour"]
    return Scored(
        count=value["episode_count"] or 0.0,
        rate=float("nan") if rate is None else rate,
        hours=value["valid_hours"] or 0.0,
        excluded_s=3600 * (value["excluded_hours"] or 0.0),
        warnings=frozenset(note.code for note in night.notes if note.severity == "warning"),
        notes=frozenset(note.code for note in night.notes if note.severity != "warning"),
        range_per_h=(moved["low_per_hour"], moved["high_per_hour"]) if moved else None,
        spans_s=tuple(zip(episodes["start_s"], episodes["end_s"], strict=True)),
    )


@cache
def clean_pair(seed: int, events: bool) -> tuple[CleanNight, Scored]:
    night = clean_night(seed, events=events)
    return night, scored(night.signal_uv, night.rate_hz)


def usability(signal_uv: np.ndarray, rate_hz: int) -> frozenset[str]:
    """Causes that the command names after a night; the hours alone, which are always too few here, are none."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "night.h5"
        with h5py.File(path, "w") as file:
            for label, channel in zip(LABELS, signal_uv, strict=True):
                file[label] = channel
        command = [sys.executable, "-m", "sleepbrux", "inspect", "--after-night", "--json", str(path)]
        options = ["--rate", str(rate_hz), "--mvc-uv", str(MVC_UV), "--unit", "uV"]
        done = subprocess.run(command + options, capture_output=True, text=True, check=False)
    if done.returncode:
        return frozenset({f"refused: {done.stderr.strip()}"})
    found = {finding["cause"] for finding in json.loads(done.stdout)[0]["findings"]}
    return frozenset(found - {"recording", "clock"})


def apart(spans_s: tuple[tuple[float, float], ...], others_s: tuple[tuple[float, float], ...]) -> int:
    """How many spans meet none of the others."""
    return sum(all(stop < a or b < start for a, b in others_s) for start, stop in spans_s)


def moved(clean: Scored, faulty: Scored) -> bool:
    """More than 2 % and more than one episode, at the faulty night's hours."""
    off = abs(faulty.rate - clean.rate)
    return off > 0.02 * clean.rate and off * faulty.hours > 1 + 1e-9


def judged(tried: Try) -> Outcome:
    night, clean = clean_pair(tried.seed, tried.events)
    signal_uv = spoilt(night, tried)
    try:
        faulty = scored(signal_uv, night.rate_hz)
    except sb.SleepbruxError as problem:
        return Outcome(tried, clean, None, (f"refused: {problem}",), "said")
    lost_s = faulty.excluded_s - clean.excluded_s
    low, high = faulty.range_per_h or (faulty.rate, faulty.rate)
    holds = low - 1e-6 <= clean.rate <= high + 1e-6
    said = [f"**{code}**" for code in sorted(faulty.warnings - clean.warnings)]
    said += sorted(faulty.notes - clean.notes)
    if lost_s > 1:
        said.append(f"excluded {lost_s:.0f} s")
    if high - low > 0.05:
        said.append(f"range {low:.1f}-{high:.1f}, {'holds' if holds else 'does not hold'} the clean rate")
    if np.isnan(faulty.rate):
        return Outcome(tried, clean, faulty, ("no rate", *said), "said")
    if not moved(clean, faulty):
        return Outcome(tried, clean, faulty, tuple(said), "not moved")
    if faulty.warnings - clean.warnings or (high - low > 0.05 and holds):
        return Outcome(tried, clean, faulty, tuple(said), "said")
    causes = usability(signal_uv, night.rate_hz) - usability_clean(tried.seed, tried.events)
    said += [f"usability: {cause}" for cause in sorted(causes)]
    weakly = lost_s > 1 or high - low > 0.05
    verdict = "said" if causes else "too little said" if weakly else "**unsaid**"
    return Outcome(tried, clean, faulty, tuple(said), verdict)


@cache
def usability_clean(seed: int, events: bool) -> frozenset[str]:
    night, _ = clean_pair(seed, events)
    return usability(night.signal_uv, night.rate_hz)


def row(outcome: Outcome) -> str:
    tried, clean, faulty = outcome.tried, outcome.clean, outcome.faulty
    cells = [str(tried.seed), "events" if tried.events else "no events", tried.words]
    if faulty is None:
        cells += [f"{clean.rate:.1f} → none", "", ""]
    else:
        percent = f"{100 * (faulty.rate / clean.rate - 1):+.0f} %, " if clean.rate else ""
        cells += [
            f"{clean.rate:.1f} → {faulty.rate:.1f}",
            f"{percent}{faulty.count - clean.count:+.0f} episodes",
            f"{apart(faulty.spans_s, clean.spans_s)}, {apart(clean.spans_s, faulty.spans_s)}",
        ]
    return "| " + " | ".join([*cells, "; ".join(outcome.said) or "nothing", outcome.verdict]) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.blind", description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="28 tries a seed, one to three minutes")
    parser.add_argument("--round", choices=ROUNDS, default="first")
    options = parser.parse_args()
    outcomes = []
    first = ROUNDS[options.round]
    for seed in range(first, first + options.seeds):
        for tried in tries(seed):
            outcomes.append(judged(tried))
            print(row(outcomes[-1]), file=sys.stderr, flush=True)
    outcomes.sort(key=lambda outcome: -outcome.moved_per_h)
    print(f"Round {options.round}, seeds {first} to {first + options.seeds - 1}, {len(outcomes)} tries.\n")
    for words, verdicts in (
        ("Moved and unsaid, or too little said", ("**unsaid**", "too little said")),
        ("Moved and said", ("said",)),
        ("Not moved", ("not moved",)),
    ):
        rows = [row(outcome) for outcome in outcomes if outcome.verdict in verdicts]
        print("\n".join((f"## {words}: {len(rows)}\n", HEAD, *rows, "")))


if __name__ == "__main__":
    main()
