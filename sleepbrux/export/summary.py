"""A night as one JSON value: every setting, every measure with its basis, every note."""

from __future__ import annotations

import hashlib
from typing import Any

import msgspec

from sleepbrux.archive.identity import identity_table, study_words
from sleepbrux.archive.journal import scoring_words
from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.printed import printed, rounded
from sleepbrux.core.provenance import chain
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.reference import Reference
from sleepbrux.scoring.distributions import details
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night, meant_criterion
from sleepbrux.scoring.rate_range import range_of
from sleepbrux.scoring.robustness import Robustness
from sleepbrux.scoring.uncertainty import Interval
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.quality import REASONS, Quality
from sleepbrux.signal.sweep import ChannelFrames, Layout

SCHEMA_VERSION = "2.0"


def _count(value: float | None) -> int | None:
    return None if value is None else int(value)


def measure_table(name: str, measure: Measure) -> dict[str, Any]:
    """A measure with unit, basis, reason, intervals and the rules that it rests on."""
    value = measure.value
    return {
        "value": _count(value) if name.endswith("_count") else rounded(value),
        "unit": measure.unit,
        "basis": measure.basis,
        **({"reason": measure.reason} if measure.reason else {}),
        **({"intervals_95": [_interval(i) for i in measure.intervals]} if measure.intervals else {}),
        "keys": list(measure.keys),
    }


def _interval(interval: Interval) -> dict[str, Any]:
    return {
        "name": interval.name,
        "low": rounded(interval.low),
        "high": rounded(interval.high),
        "meaning": interval.meaning,
    }


def criterion_table(night: Night) -> dict[str, Any]:
    """The criterion with every value, its source and status."""
    rule = night.criterion
    return {
        "id": rule.id,
        "title": rule.title,
        "instead_of": meant_criterion(night) or None,
        "parent": rule.parent or None,
        "digest": rule.digest(),
        "values": {
            path: {
                "value": value,
                "status": rule.sources[path].status if path in rule.sources else "not stated",
                "source": rule.sources[path].source if path in rule.sources else "",
            }
            for path, value in rule.values()
        },
        "departures": list(rule.departures),
        "cut_offs_not_applied": msgspec.to_builtins(rule.cut_offs),
    }


def reference_table(reference: Reference | None) -> dict[str, Any] | None:
    """The reference clench with its levels; None without one."""
    if reference is None:
        return None
    return {
        "amplitude": reference.amplitude,
        "statistic": reference.statistic,
        "origin": reference.origin,
        "placement": reference.placement,
        "teeth": reference.teeth,
        "source": reference.source,
        "confirmed": reference.confirmed,
        "date": reference.date.isoformat() if reference.date else None,
        "effort_pct": reference.effort_pct,
        "levels": [
            {
                "channel": level.label,
                "mvc_uv": rounded(level.mvc_uv),
                "rest_uv": rounded(level.rest_uv),
                "trials_uv": [rounded(t) for t in level.trials_uv],
                "cv_pct": rounded(level.cv_pct),
            }
            for level in reference.levels
        ],
    }


def _channel(frames: ChannelFrames, quality: Quality, night: Night) -> dict[str, Any]:
    channel, layout = frames.channel, Layout.at(frames.channel.rate)
    low_hz, high_hz = band_edges_hz(channel.rate)
    return {
        "label": channel.label,
        "role": channel.role,
        "side": channel.side,
        "muscle": channel.muscle,
        "unit": channel.unit,
        "rate": str(channel.rate),
        "band_hz": [low_hz, rounded(high_hz)],
        "frame_samples": layout.hop,
        "frame_s": str(frames.grid.slot_s),
        "background_uv": rounded(night.background_uv.get(channel.label)),
        "threshold_uv": rounded(night.threshold_uv.get(channel.label)),
        "usable_hours": rounded(quality.usable.hours),
        "clipped_s": rounded(quality.clipped.duration_s),
    }


def excluded(night: Night) -> list[dict[str, Any]]:
    """Every excluded span that touches the window, with channel and reason, in order of time."""
    rows = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        window = night.window.on(frames.grid)
        for reason, spans in quality.faults.items():
            rows += [
                {
                    "start_s": rounded(a),
                    "end_s": rounded(b),
                    "channel": frames.channel.label,
                    "reason": reason,
                    "text": REASONS[reason],
                }
                for a, b in (spans & window).seconds()
            ]
    return sorted(rows, key=lambda r: (r["start_s"], r["end_s"], r["channel"], r["reason"]))


def surroundings_table(night: Night) -> dict[str, Any]:
    """What the recording holds besides the jaw muscles; null where it holds none."""
    surroundings = night.swept.surroundings
    heart, sound, stages = surroundings.heart, surroundings.sound, surroundings.stages
    return {
        "heart_rate": None
        if heart is None
        else {
            "channel": heart.label,
            "kind": heart.kind,
            "beats": len(heart.beats_s),
            "trusted_intervals": int(heart.trusted.sum()),
        },
        "awake_estimate": None
        if surroundings.wake_probability is None
        else {
            "channel": surroundings.wake_probability.label,
            "model": surroundings.wake_probability.model,
            "sha256": surroundings.wake_probability.digest,
            "told": list(surroundings.wake_probability.given),
        },
        "sleep_stages": None if stages is None else stages.origin,
        "accelerometer": None if surroundings.wake_estimate is None else surroundings.wake_estimate.label,
        "movement_channels": [channel.label for channel in surroundings.activity_channels],
        "movement_computable": night.labels.movement_known,
        "body_movements_s": [[rounded(a), rounded(b)] for a, b in night.labels.movements_s.tolist()],
        "sound": None if sound is None else sound.label,
        "position": None if surroundings.position is None else surroundings.position.origin,
        "respiratory_marks": night.labels.breathing_events,
        "files": [{"name": name, "sha256": digest} for name, digest in surroundings.files],
    }


def steps(night: Night) -> list[dict[str, Any]]:
    """Provenance of the night: each stage with its settings and a digest over all before it."""
    first = night.swept.frames[0]
    done = chain(
        [
            ("recording", {"sha256": night.swept.digest, "format": night.swept.format}),
            (
                "sweep",
                {
                    "software": f"sleepbrux {__version__}",
                    "channels": [f.channel.label for f in night.swept.frames],
                    "filter": "Butterworth high-pass order 4, low-pass order 2, causal",
                    "frame_s": str(first.grid.slot_s),
                },
            ),
            ("reference", reference_table(night.reference) or {}),
            ("criterion", {"id": night.criterion.id, "digest": night.criterion.digest()}),
            ("window", {"spans_s": [list(s) for s in night.window.spans_s], "basis": night.window.basis}),
        ]
    )
    return [{"step": s.name, "settings": s.settings, "digest": s.digest} for s in done]


def _rate_range(night: Night) -> dict[str, Any] | None:
    """How far lost and cleaned time could move the rate; null after a review."""
    found = range_of(night)
    return (
        None
        if found is None
        else {
            "low_per_hour": rounded(found.low_per_hour),
            "high_per_hour": rounded(found.high_per_hour),
            "causes": list(found.causes),
            "sentence": found.sentence,
        }
    )


def summary(night: Night) -> dict[str, Any]:
    """The content of ``STEM.summary.json``."""
    swept = night.swept
    return {
        "schema_version": SCHEMA_VERSION,
        "software": SOFTWARE,
        "recording": swept.name,
        "study": study_words(night) or None,
        "identity": identity_table(night),
        "input_sha256": swept.digest,
        "format": swept.format,
        "start": swept.start.isoformat() if swept.start else None,
        "start_clock": swept.start_clock.isoformat() if swept.start_clock else None,
        "duration_s": rounded(swept.duration_s),
        "reviewed_by_a_person": night.review is not None,
        "scoring": scoring_words(night) or "automatic scoring, not reviewed",
        "review": msgspec.to_builtins(night.review),
        "criterion": criterion_table(night),
        "reference": reference_table(night.reference),
        "channels": [_channel(f, q, night) for f, q in zip(swept.frames, night.quality, strict=True)],
        "window": {
            "basis": night.window.basis,
            "spans_s": [[rounded(a), rounded(b)] for a, b in night.window.spans_s],
        },
        "gaps": [[rounded(a), rounded(b)] for a, b in swept.gaps],
        "excluded_spans": excluded(night),
        "notes": [{"code": n.code, "severity": n.severity, "text": n.text} for n in night.notes],
        "surroundings": surroundings_table(night),
        "measures": {name: measure_table(name, m) for name, m in night.measures.items()},
        "rate_range": _rate_range(night),
        "alternative_readings": [
            {
                "reference": reference_table(other.reference),
                "measures": {name: measure_table(name, m) for name, m in other.measures.items()},
            }
            for other in night.alternative_readings
        ],
        "interval_over_nights": "no interval from one night",
        "details": printed(msgspec.to_builtins(details(night))),
        "provenance": steps(night),
        "purpose": PURPOSE,
    }


def _id_of(table: dict[str, Any]) -> str:
    digest = hashlib.sha256(msgspec.json.encode(table, order="sorted")).hexdigest()
    return "-".join(digest[i : i + 4] for i in (0, 4, 8))


def report_id(night: Night) -> str:
    """Id of what is reported of a night: the same for the same values, another for any other.

    The first twelve hexadecimal digits of SHA-256 over `summary`.
    """
    return _id_of(summary(night))


def summary_text(night: Night) -> str:
    """`summary` with its id and what it supersedes, as indented JSON with a line feed at the end."""
    table = summary(night)
    id_ = _id_of(table)
    whole = {
        "schema_version": table.pop("schema_version"),
        "report_id": id_,
        "supersedes": night.supersedes or None,
        **table,
    }
    return json_text(whole)


def robustness_text(night: Night, robustness: Robustness) -> str:
    """The content of ``STEM.robustness.json``."""
    band = robustness.clench_band
    table = {
        "schema_version": SCHEMA_VERSION,
        "software": SOFTWARE,
        "identity": identity_table(night),
        "input_sha256": night.swept.digest,
        "sentence": robustness.sentence,
        "clench_band_episodes_per_hour": None if band is None else [rounded(v) for v in band],
        "rows": [
            {
                "criterion": row.id,
                "title": row.title,
                "reason": row.reason,
                "measures": {name: measure_table(name, m) for name, m in row.measures.items()},
            }
            for row in robustness.rows
        ],
        "curves": [
            {
                "key": curve.key,
                "chosen": curve.chosen,
                "values": list(curve.values),
                "episodes_per_hour": [rounded(r) for r in curve.rates],
            }
            for curve in robustness.curves
        ],
        "purpose": PURPOSE,
    }
    return json_text(table)
