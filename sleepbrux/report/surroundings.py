"""The part of a page that says what surrounds the episodes, and what each signal changed."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup

from sleepbrux.report import awake
from sleepbrux.report.axes import WIDE, Drawing, both, path_of
from sleepbrux.report.frame import environment
from sleepbrux.report.numbers import count_of, listed, text
from sleepbrux.scoring.context.counts import RISES_PCT, slug
from sleepbrux.scoring.context.curve import HeartCurve, control_moments, heart_curve, rise_shares
from sleepbrux.scoring.context.label import CHEWING_HZ
from sleepbrux.scoring.context.model import OTHER, UNKNOWN, YES, in_seconds
from sleepbrux.scoring.night import Night
from sleepbrux.signal.surroundings.model import STAGES

STAGE_WORDS = {
    "wake": "wake",
    "n1": "N1",
    "n2": "N2",
    "n3": "N3",
    "rem": "REM",
    "nrem": "non-REM, stage not said",
    "sleep": "asleep, stage not said",
    "movement": "movement time",
}
ACCELEROMETER = "accelerometer, read as one on the wrist"
TOLD_APART = ("outside_wake", "in_probable_sleep", "outside_movement")
RHYTHM_HZ = (1.0, 0.3)  # mean and SD of rhythmic episodes: Po et al., J Sleep Res 2013;22:593-599
FROM_TRUTH = (
    "How far figures from EMG alone may be from the truth: against polysomnography with audio and video "
    "in 8 persons, ambulatory EMG had a sensitivity of 0.99 and a positive predictive value of 0.23; "
    "72 % of its false positives fell in transient waking, and the agreement of the index (ICC) rose from "
    "0.47 to 0.88 with wake taken out (Yamaguchi 2012, doi:10.1111/j.1365-2842.2011.02232.x). In 19 persons "
    "the ICC was below 0.10 for EMG alone, 0.84 for polysomnography without audio and video, and 0.93 for a "
    "home set with audio (Miettinen 2020, doi:10.1007/s11325-019-01915-2). The share of other activity "
    "differs so much between persons that no fixed factor corrects a count."
)


def faster_than_chewing_pct() -> float:
    """Share of rhythmic episodes that the chewing-like label is wrong about by rhythm alone, in %.

    Examples
    --------
    >>> round(faster_than_chewing_pct())
    20
    """
    return 100 * (1 - NormalDist(*RHYTHM_HZ).cdf(CHEWING_HZ))


class SignalRow(NamedTuple):
    """One kind of signal: what the night had of it, and what that changed."""

    name: str
    had: str
    changed: str


def _value(night: Night, name: str) -> int:
    measure = night.measures.get(name)
    return int(measure.value or 0) if measure else 0


def _of(n: int, total: int, words: str) -> str:
    return f"{n} of {count_of(total, 'counted episode')} {words}"


def _dropping(night: Night) -> str:
    """Whether the rules leave out events for this."""
    rule = night.criterion.context
    parts = []
    if night.criterion.heart_rate is not None:
        parts.append("those without the rise of the heart rate that they ask for")
    if rule.wake == "drop_scored":
        parts.append("those outside scored sleep")
    if rule.wake == "drop_probable":
        parts.append("those while probably awake")
    if rule.movement == "drop":
        parts.append("those in body movements")
    if not parts and not any(f"episodes_{place}_count" in night.measures for place in TOLD_APART):
        return "Nothing shows which events lie in wake or in body movements: all of them count."
    if not parts:
        return (
            "These signals took no event away: the rules of this page count all of them. Counts outside wake "
            "and movement are below."
        )
    return f"The rules of this page leave events out: {listed(parts)}."


def _heart(night: Night, total: int) -> SignalRow:
    heart = night.swept.surroundings.heart
    if heart is None:
        return SignalRow(
            "heart rate (ECG or pulse wave)", "none", "nothing; rises before onset are not known"
        )
    known = _value(night, "episodes_with_heart_rate_count")
    n = _value(night, "episodes_with_heart_rate_rise_10_pct_count")
    late = "; it arrives late, so nothing is said of windows under 5 s" if heart.kind == "pulse wave" else ""
    return SignalRow(
        "heart rate (ECG or pulse wave)",
        f"{heart.kind.replace('ecg', 'ECG')}, channel {heart.label}{late}",
        f"{_of(known, total, 'begin with a known heart rate')}; {n} with a rise of 10 % or more in the 5 s "
        "before",
    )


def _movement(night: Night, total: int) -> SignalRow:
    raised = night.swept.surroundings.activity_channels
    name = "body movement (two channels, one away from the jaw)"
    if not night.labels.movement_known:
        had = f"only {listed([r.label for r in raised])}" if raised else "none"
        return SignalRow(
            name,
            had,
            "not computable: it needs a leg or arm muscle or an accelerometer away from the jaw",
        )
    return SignalRow(
        name,
        "; ".join(r.label for r in raised),
        _of(_value(night, "episodes_in_movement_count"), total, "lie in a body movement"),
    )


def _wake(night: Night, total: int) -> list[SignalRow]:
    surroundings = night.swept.surroundings
    stages, wake_estimate = surroundings.stages, surroundings.wake_estimate
    asleep = _value(night, "episodes_outside_wake_count")
    rows = [
        SignalRow("sleep stages", "none", "nothing: sleep was not recorded")
        if stages is None
        else SignalRow("sleep stages", stages.origin, _of(asleep, total, "begin in scored sleep"))
    ]
    if wake_estimate is None:
        rows.append(SignalRow(ACCELEROMETER, "none", "nothing: time probably awake is not known"))
    else:
        n = awake.movement_count(night)
        rows.append(
            SignalRow(
                ACCELEROMETER,
                wake_estimate.label,
                _of(n, total, "begin while probably awake")
                + "; it misses the short wakings in which most false positives lie",
            )
        )
    return [*rows, SignalRow(*awake.counts_row(night)), SignalRow(*awake.ecg_row(night))]


def _sound(night: Night, total: int) -> SignalRow:
    sound = night.swept.surroundings.sound
    if sound is None:
        return SignalRow("sound", "none", "nothing: grinding sounds are not known")
    loud = _of(_value(night, "episodes_with_sound_count"), total, "come with a sound")
    grinding = night.measures["episodes_with_grinding_like_sound_count"]
    grinding_like = (
        f"; {int(grinding.value)} with a grinding-like one (a flag, no proof)"
        if grinding.value is not None
        else f"; grinding-like: {grinding.reason}"
    )
    return SignalRow("sound", f"{sound.label}; only level and flags are kept", loud + grinding_like)


def _position(night: Night) -> SignalRow:
    position = night.swept.surroundings.position
    if position is None:
        return SignalRow("body position", "none", "nothing")
    named = all(not word.startswith("code ") for word in position.names)
    return SignalRow(
        "body position",
        position.origin,
        "rates by position below" + ("" if named else "; which code is which position was not said"),
    )


def _breathing(night: Night, total: int) -> SignalRow:
    name = "respiratory events (marks)"
    if not night.labels.breathing_events:
        return SignalRow(name, "none", "nothing: whether episodes follow pauses in breathing is not known")
    near = _value(night, "episodes_near_respiratory_event_count")
    chance = night.measures["episodes_near_respiratory_event_by_chance"].value
    lag = night.measures["median_lag_after_respiratory_event_s"].value
    after = "" if lag is None else f"; median onset {text(lag, 's')} s after its end"
    return SignalRow(
        name,
        count_of(night.labels.breathing_events, "mark"),
        f"{_of(near, total, 'begin within 10 s of one')} ({text(chance, '1')} would by chance){after}",
    )


def signals(night: Night) -> list[SignalRow]:
    """Which signals the night had, and what each changed."""
    total = len(night.selection.episodes)
    return [
        *_wake(night, total),
        _movement(night, total),
        _heart(night, total),
        _sound(night, total),
        _position(night),
        _breathing(night, total),
    ]


def _both_ways(night: Night) -> list[tuple[str, str, str, str]]:
    """(what, episodes, per hour, basis): all events, then those outside wake and movement."""
    m = night.measures
    rows = [("all episodes by the rules", m["episode_count"], m["episodes_per_hour"])]
    for name, words in (
        ("episodes_outside_wake", "outside wake"),
        ("episodes_in_probable_sleep", "in probable sleep, by an estimate"),
        ("episodes_outside_movement", "outside body movements"),
        ("episodes_outside_wake_and_movement", "outside wake and body movements"),
    ):
        if f"{name}_count" in m:
            rows.append((words, m[f"{name}_count"], m[f"{name}_per_hour"]))
    return [
        (words, text(n.value, "1"), text(rate.value, rate.unit), rate.reason or rate.basis)
        for words, n, rate in rows
    ]


def _table(night: Night, prefix: str, words: list[tuple[str, str]]) -> list[tuple[str, str, str]]:
    """(where, episodes per hour, basis) of the places that the night had."""
    rows = []
    for key, word in words:
        measure = night.measures.get(f"{prefix}{key}_per_hour")
        if measure is not None:
            rows.append((word, text(measure.value, "1/h", measure.reason), measure.basis))
    return rows


def _curve_svg(curve: HeartCurve, width: float) -> Markup:
    known = ~np.isnan(curve.mean_pct)
    low = math.floor(min(95.0, float(np.nanmin(curve.low_pct))) / 5) * 5
    high = math.ceil(max(105.0, float(np.nanmax(curve.high_pct))) / 5) * 5
    at = curve.offset_s[known].tolist()
    mean = list(zip(at, curve.mean_pct[known].tolist(), strict=True))
    edge = [
        *zip(at, curve.high_pct[known].tolist(), strict=True),
        *reversed(list(zip(at, curve.low_pct[known].tolist(), strict=True))),
    ]
    reach = float(curve.offset_s[-1])
    d = Drawing(
        width,
        210,
        f"Mean heart rate around the onset of {curve.n_episodes} episodes, from 30 s before to 30 s after, "
        f"in % of the usual rate before; highest {max(p for _, p in mean):.0f} %",
    )
    x, y = d.x(-reach, reach), d.y(low, high)
    d.y_axis(y, "heart rate, % of the usual rate before")
    d.x_axis(x, "seconds from the onset of the episode", (-30, -20, -10, 0, 10, 20, 30))
    d.line(path_of((x(t), y(v)) for t, v in edge) + "Z", "band")
    d.upright(x(0.0), "mark")
    d.line(path_of((x(t), y(v)) for t, v in mean), "curve")
    return d.markup("wide-figure" if width == WIDE else "")


def _heart_figure(night: Night) -> dict[str, Any] | None:
    """The averaged curve, and how often the rate rises before onsets and at other moments."""
    heart = night.swept.surroundings.heart
    if heart is None:
        return None
    onsets = in_seconds(night.episodes.starts[night.selection.episodes], night.episodes.grid)
    curve = heart_curve(heart, onsets)
    others = control_moments(night.episodes, night.selection)
    windows = (1.0, 5.0) if heart.kind == "ecg" else (5.0,)
    rows = []
    for within_s in windows:
        for words, moments in (("onsets", onsets), ("other moments", others)):
            n, shares = rise_shares(heart, moments, within_s, RISES_PCT)
            shown = [text(share, "min") for share in shares] or ["n/a"] * len(RISES_PCT)
            rows.append((f"{words}, within {within_s:g}\u00a0s", str(n), shown))
    return {
        "svg": None if curve is None else both(lambda width: _curve_svg(curve, width)),
        "n": 0 if curve is None else curve.n_episodes,
        "limits": RISES_PCT,
        "rows": rows,
        "late": heart.kind == "pulse wave",
    }


def _others(night: Night) -> list[tuple[str, str, str]]:
    """(label, count, evidence) of other activity."""
    m, labels = night.measures, night.labels
    with_chin = int((labels.swallow[night.selection.bursts] == 2).sum())
    chin = any(r.role == "chin" for r in night.swept.surroundings.activity_channels)
    rhythm = [
        f"{labels.rhythm_hz[k]:.2f} Hz"
        for k in night.selection.episodes.tolist()
        if OTHER[labels.other[k]] == "chewing-like"
    ]
    wrong = faster_than_chewing_pct()
    return [
        (
            "chewing-like episodes",
            text(m["chewing_like_episode_count"].value, "1"),
            "faster than 1.25 Hz for 9 s or longer"
            + (f" ({', '.join(rhythm[:8])})" if rhythm else "")
            + f"; by published means ± SD (1.0 ± 0.3 Hz) {wrong:.0f} % of rhythmic episodes are as fast, so "
            "this label is wrong for about one rhythmic episode in five (Po 2013, doi:10.1111/jsr.12057)",
        ),
        (
            "talk-like episodes",
            text(m["talk_like_episode_count"].value, "1"),
            "short bursts without rhythm; no EMG-only rule is published, only sound can tell",
        ),
        (
            "swallow-like single bursts",
            text(m["swallow_like_burst_count"].value, "1"),
            "one burst of 0.5–2 s, no other within 3 s"
            + (f"; the chin is active with {with_chin}" if chin else "")
            + "; about 60 % of rhythmic episodes go with a swallow, so none takes one "
            "away (Miyawaki 2003)",
        ),
        ("twitches", text(m["twitch_count"].value, "1"), "single bursts under 0.25 s"),
    ]


def flags(night: Night, k: int) -> list[str]:
    """What stands beside an episode in the table of episodes."""
    labels = night.labels
    out = []
    stage = int(labels.stage[k])
    if stage >= 0:
        out.append(f"stage {STAGE_WORDS[STAGES[stage]]}")
    if said := awake.flag(night, k):
        out.append(said)
    if labels.movement[k] == YES:
        out.append("in a body movement")
    if labels.other[k] > 0:
        hz = f" ({labels.rhythm_hz[k]:.2f} Hz)" if OTHER[labels.other[k]] == "chewing-like" else ""
        out.append(OTHER[labels.other[k]] + hz)
    if labels.rise_5s_pct[k] >= RISES_PCT[1]:
        out.append(f"heart rate +{labels.rise_5s_pct[k]:.0f} %")
    if labels.grinding[k] == YES:
        out.append("grinding-like sound")
    if not math.isnan(labels.breathing_lag_s[k]):
        out.append("near a respiratory event")
    if labels.position[k] != UNKNOWN:
        out.append(labels.positions[labels.position[k]])
    return out


def _had(rows: list[SignalRow]) -> str:
    """Which signals the night had, and which it had not, in two sentences."""
    names = {row.name: row.name.split(" (")[0].split(",")[0] for row in rows}
    there = [names[row.name] for row in rows if row.had != "none"]
    missing = [names[row.name] for row in rows if row.had == "none"]
    if not there:
        return "Only the jaw muscles were recorded."
    had = f"Besides the jaw muscles: {listed(there)}."
    return f"{had} Not recorded: {listed(missing)}." if missing else had


def around_section(night: Night) -> Markup:
    """The section as HTML."""
    rows = signals(night)
    position = night.swept.surroundings.position
    places = [(f"position_{slug(word)}", word) for word in (position.names if position else ())]
    return Markup(
        environment()
        .get_template("surroundings.html.j2")
        .render(
            signals=rows,
            had=_had(rows),
            dropping=_dropping(night),
            both_ways=_both_ways(night),
            awake=awake.sentences(night),
            awake_figure=awake.figure(night),
            by_stage=_table(night, "episodes_in_", [(s, STAGE_WORDS[s]) for s in STAGES]),
            by_position=_table(night, "episodes_", places),
            heart=_heart_figure(night),
            others=_others(night),
            from_truth=FROM_TRUTH,
        )
    )
