"""What is said of each episode: labels with their evidence, never verdicts.

Other activity (limits are our choice unless a source stands beside them):

- *chewing-like*: three bursts or more, faster than 1.25 Hz, for 9 s or longer. Rhythmic episodes run at
  1.0 ± 0.3 Hz, chewing at 1.5 ± 0.4 Hz in the same 13 persons, chewing episodes about twice as long (Po JMC
  et al., J Sleep Res 2013;22:593-599): by rhythm alone one rhythmic episode in five is faster than 1.25 Hz.
- *talk-like*: five bursts or more with twitches counted, at least half of them under 0.5 s, and onsets that
  follow no rhythm (coefficient of variation of 0.45 or more). No EMG-only rule is published.
- *swallow-like*: one burst of 0.5 to 2 s with no other within 3 s; the chin active with it where it is
  recorded. About 60 % of rhythmic episodes go with a swallow (Miyawaki S et al., Sleep 2003;26:461-465), so
  a swallow never takes an episode away.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sleepbrux.criteria import Criterion
from sleepbrux.recording.model import Mark
from sleepbrux.scoring.context.awake import probably_awake
from sleepbrux.scoring.context.model import NO, OTHER, UNKNOWN, YES, Labels, in_seconds
from sleepbrux.scoring.context.movement import body_movements, computable
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.signal.heart import Heart, highest_before, usual_before
from sleepbrux.signal.quantiles import median
from sleepbrux.signal.surroundings.marks import breathing_events
from sleepbrux.signal.surroundings.model import Codes, Floats, Surroundings

CHEWING_HZ, CHEWING_S = 1.25, 9.0
TALK_BURSTS, TALK_SHORT_S, TALK_SHARE, TALK_CV = 5, 0.5, 0.5, 0.45
SWALLOW_S, ALONE_S = (0.5, 2.0), 3.0
BREATHING_S = 10.0
USUAL_S, USUAL_GAP_S = 60.0, 10.0
SOUND_MARGIN_S = 0.25
GRINDING_STEPS = 2


def _at(seconds: Floats, spans_s: Floats, values: NDArray[np.int8]) -> Codes:
    """Value of the span that holds each second, -1 outside all; spans sorted and disjoint."""
    if not len(spans_s):
        return np.full(len(seconds), UNKNOWN, dtype=np.int8)
    index = np.searchsorted(spans_s[:, 0], seconds, side="right") - 1
    safe = np.maximum(index, 0)
    inside = (index >= 0) & (seconds < spans_s[safe, 1])
    return np.where(inside, values[safe], UNKNOWN).astype(np.int8)


def stage_at(surroundings: Surroundings, seconds: Floats) -> Codes:
    """Scored stage at each second, index into `STAGES`; -1 where none is scored."""
    if surroundings.stages is None:
        return np.full(len(seconds), UNKNOWN, dtype=np.int8)
    return _at(seconds, surroundings.stages.spans_s, surroundings.stages.code)


def overlap_s(starts_s: Floats, stops_s: Floats, spans_s: Floats) -> Floats:
    """Seconds of each stretch that lie in spans, float64, shape of ``starts_s``."""
    if not len(spans_s):
        return np.zeros(len(starts_s))
    at = spans_s.ravel()
    length = spans_s[:, 1] - spans_s[:, 0]
    done = np.stack((np.cumsum(length) - length, np.cumsum(length)), axis=1).ravel()
    return np.asarray(np.interp(stops_s, at, done) - np.interp(starts_s, at, done))


def rises_pct(heart: Heart, onsets_s: Floats, within_s: float) -> Floats:
    """Highest rate before each onset over the usual rate (60 s that end 10 s before), in %."""
    usual = usual_before(heart, onsets_s, USUAL_S, USUAL_GAP_S)
    return 100 * (highest_before(heart, onsets_s, within_s) / usual - 1)


def _rhythm(bursts: CombinedBursts, episodes: Episodes) -> Floats:
    """Median 1 / (onset to next onset) of each episode's bursts, NaN with fewer than three."""
    slot = float(bursts.grid.slot_s)
    result = np.full(len(episodes), np.nan)
    members = np.flatnonzero(episodes.of_burst >= 0)
    of = episodes.of_burst[members]
    borders = np.searchsorted(of, np.arange(len(episodes) + 1))
    for k in range(len(episodes)):
        onsets = bursts.starts[members[borders[k] : borders[k + 1]]]
        if len(onsets) >= 3:
            result[k] = median(1 / (np.diff(onsets) * slot))
    return result


def _other(bursts: CombinedBursts, episodes: Episodes, rhythm_hz: Floats) -> Codes:
    slot = float(bursts.grid.slot_s)
    result = np.zeros(len(episodes), dtype=np.int8)
    length_s = (episodes.stops - episodes.starts) * slot
    first = np.searchsorted(bursts.starts, episodes.starts, side="left")
    after = np.searchsorted(bursts.starts, episodes.stops, side="left")
    for k in range(len(episodes)):
        if rhythm_hz[k] > CHEWING_HZ and length_s[k] >= CHEWING_S:
            result[k] = OTHER.index("chewing-like")
            continue
        part = slice(int(first[k]), int(after[k]))
        n = part.stop - part.start
        if n < TALK_BURSTS:
            continue
        step = np.diff(bursts.starts[part])
        brief = (bursts.stops[part] - bursts.starts[part]) * slot < TALK_SHORT_S
        if brief.mean() >= TALK_SHARE and step.std() >= TALK_CV * step.mean():
            result[k] = OTHER.index("talk-like")
    return result


def _swallows(bursts: CombinedBursts, episodes: Episodes, surroundings: Surroundings) -> Codes:
    """Single bursts like that of a swallow; 2 where the chin is active with them."""
    start, stop = in_seconds(bursts.starts, bursts.grid), in_seconds(bursts.stops, bursts.grid)
    length = stop - start
    alone = np.ones(len(start), dtype=np.bool_)
    if len(start) > 1:
        apart = start[1:] - stop[:-1] >= ALONE_S
        alone[1:] &= apart
        alone[:-1] &= apart
    single = episodes.of_burst < 0
    result = (single & alone & (length >= SWALLOW_S[0]) & (length <= SWALLOW_S[1])).astype(np.int8)
    for channel in surroundings.activity_channels:
        if channel.role == "chin":
            with_chin = overlap_s(start - 1.0, stop + 1.0, channel.spans_s) > 0
            result[(result > 0) & with_chin] = 2
    return result


def _yes_no(yes: NDArray[np.bool_], known: NDArray[np.bool_]) -> Codes:
    return np.where(known, np.where(yes, YES, NO), UNKNOWN).astype(np.int8)


def _sounds(surroundings: Surroundings, starts_s: Floats, stops_s: Floats) -> tuple[Floats, Codes]:
    """Loudest rise over the background during each episode, dB, and whether like grinding."""
    loudest = np.full(len(starts_s), np.nan)
    grinding = np.full(len(starts_s), UNKNOWN, dtype=np.int8)
    sound = surroundings.sound
    if sound is None:
        return loudest, grinding
    for k, (a, b) in enumerate(zip(starts_s.tolist(), stops_s.tolist(), strict=True)):
        part = sound.within(a - SOUND_MARGIN_S, b + SOUND_MARGIN_S)
        rise, flag = sound.rise_db[part], sound.grinding[part]
        if len(rise) and not np.isnan(rise).all():
            loudest[k] = float(np.nanmax(rise))
            if (flag >= 0).any():
                grinding[k] = YES if int((flag == 1).sum()) >= GRINDING_STEPS else NO
    return loudest, grinding


def _breathing_lags(events_s: Floats, onsets_s: Floats) -> Floats:
    """From the end of the nearest respiratory event to each onset, seconds; NaN where none is near."""
    result = np.full(len(onsets_s), np.nan)
    for k, onset in enumerate(onsets_s.tolist()):
        away = np.maximum(events_s[:, 0] - onset, onset - events_s[:, 1])
        near = np.flatnonzero(away <= BREATHING_S)
        if len(near):
            lags = onset - events_s[near, 1]
            result[k] = float(lags[np.argmin(np.abs(lags))])
    return result


def label(
    surroundings: Surroundings,
    marks: Sequence[Mark],
    bursts: CombinedBursts,
    episodes: Episodes,
    criterion: Criterion,
    duration_s: float,
) -> Labels:
    """Labels of every episode of a night, those outside the window among them."""
    grid = episodes.grid
    start, stop = in_seconds(episodes.starts, grid), in_seconds(episodes.stops, grid)
    n = len(episodes)
    nowhere = np.full(n, UNKNOWN, dtype=np.int8)
    movements = body_movements(in_seconds(bursts.activity, grid), surroundings.activity_channels, duration_s)
    known = computable(surroundings.activity_channels)
    moved = overlap_s(start, stop, movements) >= criterion.context.movement_share * (stop - start)
    heart = surroundings.heart
    blank = np.full(n, np.nan)
    rhythm_hz = _rhythm(bursts, episodes)
    loudest, grinding = _sounds(surroundings, start, stop)
    breathing = breathing_events(marks)
    position = surroundings.position
    return Labels(
        stage=stage_at(surroundings, start),
        awake=probably_awake(surroundings, start),
        movement=_yes_no(moved, np.full(n, known)),
        grinding=grinding,
        rise_1s_pct=rises_pct(heart, start, 1.0) if heart and heart.kind == "ecg" else blank,
        rise_5s_pct=rises_pct(heart, start, 5.0) if heart else blank,
        position=_at(start, position.spans_s, position.code) if position else nowhere,
        sound_db=loudest,
        breathing_lag_s=_breathing_lags(breathing, start),
        rhythm_hz=rhythm_hz,
        other=_other(bursts, episodes, rhythm_hz),
        swallow=_swallows(bursts, episodes, surroundings),
        movements_s=movements,
        movement_known=known,
        positions=position.names if position else (),
        breathing_events=len(breathing),
    )
