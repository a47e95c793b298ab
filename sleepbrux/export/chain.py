"""The chain from a number of a night down to the samples that it rests on."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from sleepbrux.archive.file import load_night
from sleepbrux.archive.identity import identity_table
from sleepbrux.core.arguments import NONE, PATH, TEXT, check, of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.printed import rounded
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.summary import excluded, measure_table, reference_table, report_id, steps
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.model import Channel
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import SHORT
from sleepbrux.scoring.context.awake import wake_probability_at
from sleepbrux.scoring.context.counts import positions
from sleepbrux.scoring.context.model import OTHER, in_seconds
from sleepbrux.scoring.episodes import EPISODE_PHASIC, Episodes
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.scoring.thresholds import Ints
from sleepbrux.signal.surroundings.model import STAGES

OF_EPISODES = (
    "episodes_per_hour",
    "episode_count",
    "time_in_episodes_pct",
    "median_episode_duration_s",
    "median_inter_episode_interval_s",
)
OF_BURSTS = (
    "bursts_per_hour",
    "burst_count",
    "bursts_per_episode",
    "time_in_bursts_pct",
    "median_burst_peak_pct_mvc",
    "median_burst_peak_uv",
    "median_burst_duration_s",
    "median_inter_burst_interval_s",
)
UNLISTED = "no list of events: the measure uses the spans and levels below"
OF_PHASIC_BURSTS = ("bursts_per_phasic_episode", "median_phasic_rhythm_hz")


def stored_samples(channel: Channel, start_s: float, stop_s: float) -> list[list[int]]:
    """Stored samples of a channel that lie in a stretch of the night clock, as [first, stop) pairs."""
    rate = channel.rate
    first, stop = math.floor(start_s * rate + 0.5), math.floor(stop_s * rate + 0.5)
    found = []
    for piece in channel.pieces:
        a, b = max(first, piece.night), min(stop, piece.night + piece.n)
        if a < b:
            found.append([piece.stored + a - piece.night, piece.stored + b - piece.night])
    return found


def _which(night: Night, name: str) -> tuple[str, Ints | None, Ints | None]:
    """What a measure counts: its description, and positions of the episodes or of the bursts."""
    selection, of, kind = night.selection, night.episodes.of_burst, night.episodes.kind
    inside = selection.bursts[of[selection.bursts] >= 0]
    single = selection.bursts[of[selection.bursts] < 0]
    short = night.merged.kind[single] == SHORT
    phasic = inside[kind[of[inside]] == EPISODE_PHASIC]
    found: dict[str, tuple[str, Ints | None, Ints | None]] = {
        **dict.fromkeys(OF_EPISODES, ("counted episodes", selection.episodes, None)),
        **dict.fromkeys(OF_BURSTS, ("bursts inside counted episodes", None, inside)),
        **dict.fromkeys(OF_PHASIC_BURSTS, ("bursts inside counted phasic episodes", None, phasic)),
        **{
            f"{word}_episodes_per_hour": (
                f"counted {word} episodes",
                selection.episodes[kind[selection.episodes] == code],
                None,
            )
            for code, word in enumerate(EPISODE_KINDS)
        },
        "isolated_bursts_per_hour": ("counted single bursts, long enough", None, single[~short]),
        "short_bursts_per_hour": ("counted single bursts, too short", None, single[short]),
    }
    surroundings = positions(night.swept.surroundings, night.labels, selection)
    subset = surroundings.get(name.removesuffix("_count").removesuffix("_per_hour"))
    if subset is not None and name not in found:
        return "counted episodes that carry the label", subset, None
    return found.get(name, (UNLISTED, None, None))


def _event(night: Night, table: Episodes | CombinedBursts, i: int, kinds: tuple[str, ...]) -> dict[str, Any]:
    slot = night.merged.grid.slot_s
    a, b = float(int(table.starts[i]) * slot), float(int(table.stops[i]) * slot)
    scored = [f.channel for f in night.swept.frames]
    apart = len(night.merged.labels) == len(scored)
    taking = [c for k, c in enumerate(scored) if int(table.channels[i]) >> k & 1] if apart else scored
    return {
        "start_s": rounded(a),
        "end_s": rounded(b),
        "kind": kinds[table.kind[i]],
        "stored_samples": {c.label: stored_samples(c, a, b) for c in taking},
    }


def _events(night: Night, name: str) -> dict[str, Any]:
    if name.startswith(("least_episode", "most_episode")):
        side = name.partition("_")[0]
        count = night.measures[f"{side}_episode_count"].value
        return {
            "what": f"{side} count that lost time allows",
            "count": None if count is None else int(count),
            "list": [],
        }
    what, episodes, bursts = _which(night, name)
    labelled = episodes is bursts is None and "context." in night.measures[name].keys
    if labelled:
        what, episodes = "counted episodes, each with what surrounds it", night.selection.episodes
    numbers, of = episode_numbers(night), night.episodes.of_burst
    rows: list[dict[str, Any]] = [
        {"episode": numbers[i], **_event(night, night.episodes, i, EPISODE_KINDS)}
        for i in ([] if episodes is None else episodes.tolist())
    ]
    rows += [
        {"in_episode": numbers.get(int(of[i])), **_event(night, night.merged, i, BURST_KINDS)}
        for i in ([] if bursts is None else bursts.tolist())
    ]
    if labelled:
        for row, i in zip(rows, night.selection.episodes.tolist(), strict=True):
            row["surroundings"] = _surroundings(night, i)
        return {"what": what, "count": None, "list": rows}
    return {"what": what, "count": None if episodes is bursts is None else len(rows), "list": rows}


def _surroundings(night: Night, i: int) -> dict[str, Any]:
    """What is said of episode ``i`` because of what surrounds it; only what is known."""
    labels = night.labels
    words = {-1: None, 0: False, 1: True}
    onset = in_seconds(night.episodes.starts[[i]], night.episodes.grid)
    found = {
        "stage": STAGES[labels.stage[i]] if labels.stage[i] >= 0 else None,
        "awake": words[int(labels.awake[i])],
        "wake_probability": _known(wake_probability_at(night.swept.surroundings, onset)[0]),
        "movement": words[int(labels.movement[i])],
        "grinding_like_sound": words[int(labels.grinding[i])],
        "heart_rate_rise_5s_pct": _known(labels.rise_5s_pct[i]),
        "position": labels.positions[labels.position[i]] if labels.position[i] >= 0 else None,
        "sound_db": _known(labels.sound_db[i]),
        "breathing_lag_s": _known(labels.breathing_lag_s[i]),
        "rhythm_hz": _known(labels.rhythm_hz[i]),
        "other": OTHER[labels.other[i]] or None,
    }
    return {k: v for k, v in found.items() if v is not None}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else rounded(float(value))


def again(night: Night, name: str, count: int | None) -> str:
    """The number from the events and hours of the chain, in words; empty where it is no such ratio."""
    measure, hours = night.measures[name], night.selection.valid.hours
    if count is None or measure.value is None:
        return ""
    if measure.unit == "1/h" and hours > 0:
        return f"{count} / {hours:.6g} h = {count / hours:.6g} 1/h"
    if name.endswith("_count"):
        return f"{count}"
    return ""


def rules_of(night: Night, keys: tuple[str, ...]) -> list[dict[str, Any]]:
    """Settings that a measure rests on, each with value, status and source."""
    rows = []
    for path, value in night.criterion.values():
        if any(path == key or (key.endswith(".") and path.startswith(key)) for key in keys):
            note = night.criterion.sources.get(path)
            rows.append(
                {
                    "key": path,
                    "value": value,
                    "status": note.status if note else "not stated",
                    "source": note.source if note else "",
                }
            )
    return rows


def _levels(night: Night) -> list[dict[str, Any]]:
    rows = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        label = frames.channel.label
        rows.append(
            {
                "channel": label,
                "samples": frames.channel.n_stored,
                "rate_hz": str(frames.channel.rate),
                "unit_per_step": rounded(frames.channel.gain),
                "unit": frames.channel.unit,
                "frames": frames.grid.n_slots,
                "frame_s": str(frames.grid.slot_s),
                "usable_hours": rounded(quality.usable.hours),
                "threshold_uv": rounded(night.threshold_uv.get(label)),
                "background_uv": rounded(night.background_uv.get(label)),
            }
        )
    return rows


class Words(NamedTuple):
    """A chain in brief, for a page: lines of (what, text), and settings with their values."""

    lines: list[tuple[str, str]]
    rules: list[tuple[str, str]]


MOST_NAMED = 40


def chain_words(night: Night, name: str) -> Words:
    """What a measure rests on, in a few lines; `chain_of` has all of it, with every sample."""
    measure = night.measures[name]
    what, episodes, bursts = _which(night, name)
    lines = []
    if episodes is not None:
        wanted = set(episodes.tolist())
        numbers = [n for i, n in episode_numbers(night).items() if i in wanted]
        named = ", ".join(map(str, numbers[:MOST_NAMED]))
        more = f" and {len(numbers) - MOST_NAMED} more" if len(numbers) > MOST_NAMED else ""
        of = f" (no. {named}{more})" if numbers else ""
        lines.append(("events", f"{len(numbers)} {what}{of}"))
    elif bursts is not None:
        lines.append(("events", f"{len(bursts)} {what}"))
    else:
        lines.append(("events", what))
    found = episodes if episodes is not None else bursts
    sum_ = again(night, name, None if found is None else len(found))
    if sum_:
        lines.append(("computed", sum_))
    lines.append(("command", f"sleepbrux trace NIGHT.night.h5 {name}"))
    rules = [(r["key"], _short(r["value"])) for r in rules_of(night, measure.keys)]
    return Words(lines, rules)


def _short(value: object) -> str:
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, float) else str(value)


def chain_of(night: Night | str | Path, name: str, *, archive: str | Path | None = None) -> dict[str, Any]:
    """Everything that a measure of a night is based on.

    Parameters
    ----------
    night
        A night, or the file of its archive.
    name
        Name of the measure.
    archive
        File of the night, for its digest.

    Returns
    -------
    dict
        Plain values, as ``sleepbrux trace`` writes them.

    Raises
    ------
    UsageError
        The night has no such measure.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.chain_of(night, "episode_count")["events"]["count"] == night.measures["episode_count"].value
    True
    """
    check(night=(night, of(Night) | PATH), name=(name, TEXT), archive=(archive, NONE | PATH))
    if not isinstance(night, Night):
        archive = night if archive is None else archive
        night = load_night(night)
    if name not in night.measures:
        raise UsageError(f"{night.swept.name} has no measure {name!r}; it has: {', '.join(night.measures)}")
    events = _events(night, name)
    return {
        "measure": name,
        **measure_table(name, night.measures[name]),
        "computed_again": again(night, name, events["count"]),
        "rules": rules_of(night, night.measures[name].keys),
        "criterion": {"id": night.criterion.id, "digest": night.criterion.digest()},
        "events": events,
        "window": {
            "basis": night.window.basis,
            "spans_s": [[rounded(a), rounded(b)] for a, b in night.window.spans_s],
            "hours": rounded(night.selection.window.hours),
        },
        "valid": {
            "spans_s": [[rounded(a), rounded(b)] for a, b in night.selection.valid.seconds()],
            "hours": rounded(night.selection.valid.hours),
        },
        "left_out": excluded(night),
        "reference": reference_table(night.reference),
        "channels": _levels(night),
        "steps": steps(night),
        "identity": identity_table(night),
        "input_sha256": night.swept.digest,
        "archive_sha256": file_digest(Path(archive)) if archive else None,
        "report_id": report_id(night),
        "supersedes": night.supersedes or None,
        "software": {"sleepbrux": __version__, "numpy": np.__version__},
        "purpose": PURPOSE,
    }
