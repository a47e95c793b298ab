"""What each fault does to a night: ``python -m tests.quality_table [SEEDS] [KIND ...]``.

``python -m tests.quality_table bias [SEEDS] [CONDITION ...] [--kept FILE] [--first SEED]`` prints what a
condition leaves in the index: the same night with it and without, each scored over the time that its own
cleaning left, on seeds from `FRESH_SEED` on, which no limit was chosen on. The table is printed anew after every
seed. Nights that are done are kept in the file, a line each, and not done again: a run may be stopped and goes on
there (with the code it was begun with).

Nights with episodes: the night under the fault against the very same night without it, both scored
over the time that the faulty one calls usable (and the clean one too). Missed and false episodes by
one-to-one matching, as shares of the clean night's. "Clean excluded" is time outside every fault that
the fault night loses, as a share of all such time; "episode excluded" the same of true episode time.

Nights without episodes: false episodes per hundred faults and per hour. There are three times as many of
them, so that none in all of them bounds the rate below 0.1 an hour. Bounds are the upper ends of exact
two-sided 95 % intervals (Clopper and Pearson 1934, Garwood 1936), as if events were independent.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache, reduce
from pathlib import Path

import numpy as np
from scipy import stats

from sleepbrux.core.matching import match_events
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.events import find_events
from sleepbrux.scoring.night import Night, score
from sleepbrux.scoring.rate_range import RateRange, excluded_shares, met_shares, range_of, rate_range
from sleepbrux.scoring.without_doubtful import DOUBTFUL
from sleepbrux.signal.quality import REPAIRS
from sleepbrux.signal.swept import sweep_recording
from sleepbrux.synth.faults import draw_faults
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import SIDES, Background, Fault, NightPlan
from sleepbrux.synth.render import RAIL, STEP_UV, tiles

RATE = 1000
LABELS = ["EMG Masseter L", "EMG Masseter R"]
CRITERIA = ("phasic_tonic_10mvc", "aasm")
PER_NIGHT = {
    "pop": 40,
    "drift": 30,
    "sway": 30,
    "mains": 12,
    "spikes": 30,
    "gain": 6,
    "open_input": 10,
    "open_mains": 10,
    "rail": 12,
    "electrode_pop": 40,
    "crackle": 12,
    "slow_swing": 30,
    "sweat": 10,
}
FRESH_SEED = 9501
BIAS_CRITERIA = ("phasic_tonic_10mvc", "submaximal_12mvc", "aasm", "maeda2019_2xbaseline")
CONDITIONS = (
    "hum",
    "both mains",
    "heart",
    "pops at rest",
    "pops on bursts",
    "slow swings under bursts",
    "sweat",
    "crackle",
    "sway",
    "spikes",
)
HELD = 0.002
ALL_NIGHT = ("none", "hum", "ecg", "clip")
KINDS = (*PER_NIGHT, *ALL_NIGHT)
CLIP_UV = 450.0
HUM_UV = 20.0


@dataclass(frozen=True)
class Row:
    """Counts of one fault over some nights."""

    kind: str
    criterion: str
    n_faults: int = 0
    clean: int = 0
    missed: int = 0
    false: int = 0
    clean_s: float = 0.0
    clean_lost_s: float = 0.0
    episode_s: float = 0.0
    episode_lost_s: float = 0.0
    valid_h: float = 0.0
    fault_s: float = 0.0
    fault_kept_s: float = 0.0

    def __add__(self, other: Row) -> Row:
        """Both together."""
        sums = {k: v + getattr(other, k) for k, v in vars(self).items() if k not in {"kind", "criterion"}}
        return Row(self.kind, self.criterion, **sums)


def recipe(kind: str, *, quiet: bool, hours: float) -> Recipe:
    """Episodes up to 150 % MVC, or none; the heart strong where that is the fault."""
    rate = 0.0 if quiet else 1.0
    ecg = (150.0, 100.0) if kind == "ecg" else (12.0, 8.0)
    return Recipe(
        hours=hours,
        episodes_per_hour=24.0 * rate,
        isolated_per_hour=10.0 * rate,
        twitches_per_hour=8.0 * rate,
        amplitude_mvc=(0.15, 1.5),
        awake_s=30.0,
        settle_s=30.0,
        morning_clench=False,
        background=Background(ecg_uv=ecg),
    )


def faulted(plan: NightPlan, kind: str) -> NightPlan:
    """The plan with faults of one kind, half of them on either side."""
    assert plan.lights_off_s is not None
    assert plan.lights_on_s is not None
    if kind == "hum":
        faults: list[Fault] = [
            Fault("mains", side, 0.0, float(plan.duration_s), HUM_UV, plan.seed + k)
            for k, side in enumerate(SIDES)
        ]
    elif kind in PER_NIGHT:
        drawn = draw_faults(
            kind,
            "left",
            seed=plan.seed,
            first_s=plan.lights_off_s + 30.0,  # type: ignore[arg-type]
            last_s=plan.lights_on_s - 10.0,
            n=PER_NIGHT[kind],
        )
        faults = [replace(f, side=SIDES[k % 2]) for k, f in enumerate(drawn)]
    else:
        faults = []
    return replace(plan, faults=tuple(faults))


def swept_of(plan: NightPlan, *, clip_uv: float | None = None):
    """The plan rendered in memory, as a converter of 0.1 µV steps writes it, and swept."""
    digital = np.concatenate([np.stack(tile) for tile in tiles(plan, RATE)], axis=1)
    limit = RAIL if clip_uv is None else round(clip_uv / STEP_UV)
    recording = from_array(np.clip(digital, -limit, limit), RATE, LABELS)
    channels = tuple(
        replace(c, gain=STEP_UV, digital_min=-limit, digital_max=limit) for c in recording.channels
    )
    return sweep_recording(replace(recording, channels=channels))


def _spans(grid, pairs: Iterable[tuple[float, float]]) -> Spans:
    return Spans.of(grid, [(grid.slot_at(a), -int(-b // grid.slot_s)) for a, b in pairs])


def _episodes(swept, quality, usable, plan: NightPlan, criterion: str):
    """(start, stop) of the counted episodes, scored over given usable spans; and valid hours."""
    imposed = tuple(replace(q, usable=u) for q, u in zip(quality, usable, strict=True))
    window = find_window((), swept.duration_s, from_s=plan.lights_off_s, to_s=plan.lights_on_s)
    events = find_events(
        replace(swept, quality=imposed),
        criterion=load_criterion(criterion),
        window=window,
        reference=given(LABELS, dict(zip(LABELS, plan.mvc_uv, strict=True))),
    )
    selection = events.selection.episodes
    slot = float(events.episodes.grid.slot_s)
    pairs = np.stack((events.episodes.starts[selection], events.episodes.stops[selection]), axis=1) * slot
    return pairs, events.selection.valid.hours


def measure(kind: str, seed: int, *, quiet: bool = False, hours: float = 2.0) -> list[Row]:
    """One night: a row a criterion."""
    plan = plan_night(recipe(kind, quiet=quiet, hours=hours), seed=seed)
    with_faults = faulted(plan, kind)
    swept = swept_of(with_faults, clip_uv=CLIP_UV if kind == "clip" else None)
    clean_plan = replace(plan, background=replace(plan.background, ecg_uv=(12.0, 8.0)))
    clean = swept if quiet else swept_of(clean_plan)
    clean_quality, quality = clean.quality, swept.quality
    usable = [a.usable & b.usable for a, b in zip(quality, clean_quality, strict=True)]
    grid = usable[0].grid
    whole_night = kind in ALL_NIGHT
    faults = _spans(grid, [] if whole_night else [(f.start_s, f.stop_s) for f in with_faults.faults])
    lost = reduce(Spans.__or__, (~q.usable for q in quality))
    if kind != "none":  # what the clean night loses is counted there
        lost -= reduce(Spans.__or__, (~q.usable for q in clean_quality))
    window = _spans(grid, [(plan.lights_off_s, plan.lights_on_s)])
    true = _spans(grid, [(e.start_s, e.stop_s) for e in plan.episodes]) & window
    rows = []
    for criterion in CRITERIA:
        before = np.empty((0, 2)) if quiet else _episodes(clean, clean_quality, usable, plan, criterion)[0]
        after, valid_h = _episodes(swept, quality, usable, plan, criterion)
        matching = match_events(before, after)
        rows.append(
            Row(
                kind,
                criterion,
                len(with_faults.faults),
                len(before),
                matching.missed,
                matching.false,
                ((window - faults).duration_s),
                ((window - faults) & lost).duration_s,
                (true - faults).duration_s,
                ((true - faults) & lost).duration_s,
                valid_h,
                (faults & window).duration_s,
                ((faults & window) - lost).duration_s,
            )
        )
    return rows


def total(kind: str, seeds: Iterable[int], *, quiet: bool = False, hours: float = 2.0) -> list[Row]:
    """Several nights: a row a criterion."""
    nights = [measure(kind, seed, quiet=quiet, hours=hours) for seed in seeds]
    return [reduce(Row.__add__, rows) for rows in zip(*nights, strict=True)]


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:7.2f}" if whole else "      -"


def share_at_most(n: int, of: int) -> float:
    """Upper end of the exact interval of a share, per cent."""
    return 100.0 * float(stats.beta.ppf(0.975, n + 1, of - n)) if n < of else 100.0


def rate_at_most(n: int, hours: float) -> float:
    """Upper end of the exact interval of a rate, per hour."""
    return float(stats.chi2.ppf(0.975, 2 * n + 2)) / 2 / hours


@dataclass(frozen=True)
class Bias:
    """What a condition does to the episodes of some nights, as each is scored by itself."""

    condition: str
    criterion: str
    clean: int = 0
    found: int = 0
    clean_h: float = 0.0
    found_h: float = 0.0
    missed: int = 0
    false: int = 0
    kinds_wrong: int = 0
    met_mains: float = 0.0
    met_pops: float = 0.0
    met_heart: float = 0.0
    met_spikes: float = 0.0
    nights: int = 0
    held_lost: int = 0
    held: int = 0
    doubted: int = 0
    left_out_h: float = 0.0
    window_h: float = 0.0
    edges_ms: tuple[float, ...] = ()

    def __add__(self, other: Bias) -> Bias:
        """Both together."""
        sums = {k: v + getattr(other, k) for k, v in vars(self).items() if k[:2] not in {"co", "cr"}}
        return Bias(self.condition, self.criterion, **sums)

    @property
    def index_pct(self) -> float:
        """By how much the index is off, per cent."""
        return 100.0 * ((self.found / self.found_h) / (self.clean / self.clean_h) - 1)

    def __str__(self) -> str:
        """One line."""
        paired = max(self.clean - self.missed, 1)
        edge = np.percentile(np.abs(self.edges_ms), 95) if self.edges_ms else 0.0
        return (
            f"{self.condition:<25} {self.criterion:<20} {self.clean:>5}"
            f" {100 * paired / max(self.clean, 1):>8.2f} {100 * (1 - self.false / max(self.found, 1)):>8.2f}"
            f" {100 * self.kinds_wrong / paired:>8.2f} {self.index_pct:>+8.2f}"
            f" {100 * (1 - self.found_h / self.clean_h):>8.2f} {edge:>8.0f} {self.met_words}"
            f"; left out {100 * self.left_out_h / self.window_h:.2f}"
            f"  {self.held_lost} {self.held} of {self.nights}, doubted {self.doubted}"
        )

    @property
    def met_words(self) -> str:
        """Of each repair, the share of the counted episodes that meet it."""
        shares = {key: getattr(self, f"met_{key}") / max(self.found, 1) for key in REPAIRS}
        return ", ".join(f"{key} {100 * share:.0f}" for key, share in shares.items() if share) or "-"


def index_limits_pct(nights: list[Bias]) -> tuple[float, float]:
    """95 % limits of `Bias.index_pct`: nights left out in turn, no narrower than three over the episodes."""
    total = reduce(Bias.__add__, nights)
    most, n = 300.0 / max(total.clean, 1), len(nights)
    if n > 2:
        left = [reduce(Bias.__add__, nights[:k] + nights[k + 1 :]).index_pct for k in range(n)]
        error = float(np.sqrt((n - 1) / n * np.sum((np.array(left) - np.mean(left)) ** 2)))
        most = max(most, float(stats.t.ppf(0.975, n - 1)) * error)
    return total.index_pct - most, total.index_pct + most


def conditioned(plan: NightPlan, condition: str) -> NightPlan:
    """The plan under a condition of the signal trials."""
    bursts = [(b, side) for e in plan.episodes for b in e.bursts for side in b.sides]
    if condition == "hum":
        return faulted(plan, "hum")
    if condition == "both mains":
        sixty = replace(plan.background, mains_hz=60, mains_uv=(HUM_UV, HUM_UV))
        return replace(faulted(plan, "hum"), background=sixty)
    if condition == "heart":
        return replace(plan, background=replace(plan.background, ecg_uv=(250.0, 200.0)))
    if condition == "pops on bursts":
        selection = [(b.span_on(side)[0] + 0.05, side, k) for k, (b, side) in enumerate(bursts) if k % 2]
        faults = tuple(
            Fault("electrode_pop", side, a, a + 0.45, 2500.0, plan.seed + k) for a, side, k in selection
        )
        return replace(plan, faults=faults)
    if condition == "slow swings under bursts":
        spans = [(b.span_on(side), side) for b, side in bursts]
        faults = tuple(
            Fault("slow_swing", side, start - 0.5, stop + 0.5, 1000.0, plan.seed + k)
            for k, ((start, stop), side) in enumerate(spans)
        )
        return replace(plan, faults=faults)
    return faulted(plan, {"pops at rest": "electrode_pop"}.get(condition, condition))


def _own_night(swept, plan: NightPlan, criterion: str) -> Night:
    return score(
        swept,
        criterion=load_criterion(criterion),
        window=find_window((), swept.duration_s, from_s=plan.lights_off_s, to_s=plan.lights_on_s),
        reference=given(LABELS, dict(zip(LABELS, plan.mvc_uv, strict=True))),
    )


def _own_episodes(night: Night):
    """(start, stop) and kind of the counted episodes, and valid hours."""
    chosen, episodes = night.selection.episodes, night.episodes
    slot = float(episodes.grid.slot_s)
    pairs = np.stack((episodes.starts[chosen], episodes.stops[chosen]), axis=1) * slot
    return pairs, [episodes.kind[k] for k in chosen], night.selection.valid.hours


@lru_cache(maxsize=1)
def _clean(seed: int, hours: float):
    plan = plan_night(recipe("none", quiet=False, hours=hours), seed=seed)
    return plan, swept_of(plan)


@lru_cache(maxsize=len(BIAS_CRITERIA))
def _clean_episodes(seed: int, hours: float, criterion: str):
    plan, clean = _clean(seed, hours)
    return _own_episodes(_own_night(clean, plan, criterion))


def _holds(found: RateRange | None, rate: float) -> bool:
    """Whether a rate lies in a range, but for a share that other valid hours make."""
    assert found is not None
    return found.low_per_hour * (1 - HELD) <= rate <= found.high_per_hour * (1 + HELD)


def bias(condition: str, seed: int, hours: float = 2.0) -> list[Bias]:
    """One night: a row a criterion."""
    plan, _ = _clean(seed, hours)
    bad = swept_of(conditioned(plan, condition))
    rows = []
    for criterion in BIAS_CRITERIA:
        before, kinds, clean_h = _clean_episodes(seed, hours, criterion)
        night = _own_night(bad, plan, criterion)
        after, found_kinds, found_h = _own_episodes(night)
        matching = match_events(before, after)
        edges, wrong = [], 0
        for i, (start, stop) in enumerate(before):
            over = np.flatnonzero((after[:, 0] < stop) & (after[:, 1] > start))
            if len(over) == 1:
                edges += (1000 * (after[over[0]] - (start, stop))).tolist()
                wrong += kinds[i] != found_kinds[over[0]]
        rows.append(
            Bias(
                condition,
                criterion,
                len(before),
                len(after),
                clean_h,
                found_h,
                matching.missed,
                matching.false,
                wrong,
                **{f"met_{key}": share * len(after) for key, share in met_shares(night).items()},
                nights=1,
                held_lost=int(_holds(rate_range(night.measures), len(before) / clean_h)),
                held=int(_holds(range_of(night), len(before) / clean_h)),
                doubted=int(any(n.code == DOUBTFUL for n in night.notes)),
                left_out_h=sum(excluded_shares(night).get(r, 0.0) for r in ("movement", "spikes"))
                * night.selection.window.hours,
                window_h=night.selection.window.hours,
                edges_ms=tuple(edges),
            )
        )
    return rows


def kept_nights(path: Path) -> dict[tuple[int, str], list[Bias]]:
    """Rows of the nights that are done, by seed and condition."""
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    nights = [json.loads(line) for line in lines]
    return {
        (n["seed"], n["rows"][0]["condition"]): [
            Bias(**{**row, "edges_ms": tuple(row["edges_ms"])}) for row in n["rows"]
        ]
        for n in nights
    }


def bias_table(
    seeds: int, conditions: Iterable[str], path: Path | None = None, first: int = FRESH_SEED
) -> None:
    """Print a line a condition and criterion, after every seed."""
    names, nights = list(conditions), []
    kept = {} if path is None else kept_nights(path)
    for seed in range(first, first + seeds):
        for name in names:
            if (seed, name) in kept:
                continue
            kept[seed, name] = rows = bias(name, seed)
            if path is not None:
                with path.open("a", encoding="utf-8") as file:
                    file.write(
                        json.dumps({"seed": seed, "rows": [vars(row) for row in rows]}, default=int) + "\n"
                    )
        nights.append([kept[seed, name] for name in names])
        print(
            f"\nseeds {first} to {seed}\n"
            "condition                 criterion               n   sens %    PPV %  kinds %  index %   lost %"
            "  edge p95 ms  episodes met by a repair, %"
            "  clean rate in range by lost time alone, and with the bias; warned of doubt; index 95 %"
        )
        for of_condition in zip(*nights, strict=True):
            for rows in zip(*of_condition, strict=True):
                low, high = index_limits_pct(list(rows))
                print(f"{reduce(Bias.__add__, rows)}  {low:+.2f} to {high:+.2f}", flush=True)


def main(seeds: int, kinds: Iterable[str]) -> None:
    """Print both tables, a line as soon as it is known."""
    print(
        "fault        criterion            faults  episodes  missed %   (<)  false %   (<)"
        "  clean lost %  episode lost %  fault kept %"
    )
    for kind in kinds:
        for r in total(kind, range(1, seeds + 1)):
            print(
                f"{r.kind:<12} {r.criterion:<20} {r.n_faults:>6} {r.clean:>9}"
                f"   {_percent(r.missed, r.clean)} {share_at_most(r.missed, r.clean):>5.2f}"
                f"  {_percent(r.false, r.clean)} {share_at_most(r.false, r.clean):>5.2f}"
                f"       {_percent(r.clean_lost_s, r.clean_s)}"
                f"         {_percent(r.episode_lost_s, r.episode_s)}"
                f"       {_percent(r.fault_kept_s, r.fault_s)}",
                flush=True,
            )
    print(
        "\nfault        criterion            faults  false  per 100 faults   (<)"
        "  valid hours  per hour    (<)"
    )
    for kind in kinds:
        for r in total(kind, range(101, 101 + 3 * seeds), quiet=True):
            n = max(r.n_faults, 1)
            print(
                f"{r.kind:<12} {r.criterion:<20} {r.n_faults:>6} {r.false:>6} {100 * r.false / n:>15.2f}"
                f" {100 * rate_at_most(r.false, n):>5.2f} {r.valid_h:>12.1f} {r.false / r.valid_h:>9.3f}"
                f" {rate_at_most(r.false, r.valid_h):>6.3f}",
                flush=True,
            )


def _taken(words: list[str], option: str) -> str:
    """Value behind an option, taken out of the words; empty without it."""
    if option not in words:
        return ""
    at = words.index(option)
    del words[at]
    return words.pop(at)


if __name__ == "__main__" and sys.argv[1:2] == ["bias"]:
    words = sys.argv[2:]
    kept_in, first = _taken(words, "--kept"), _taken(words, "--first")
    bias_table(
        int(words[0]) if words else 9,
        words[1:] or CONDITIONS,
        Path(kept_in) if kept_in else None,
        int(first or FRESH_SEED),
    )
elif __name__ == "__main__":
    selection = sys.argv[2:] or KINDS
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8, selection)
