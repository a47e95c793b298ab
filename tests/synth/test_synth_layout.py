"""The truth of a planned night is beyond doubt, whatever the seed."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sleepbrux.synth.layout import CYCLE_S, NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.night import SIDES, ElectrodeOff, TrueEpisode

SEEDS = range(24)
LOOSE = ElectrodeOff("right", 9000.0, 12600.0, 11000.0)
FAULTY = Recipe(gaps=((15000, 17000),), electrode_off=(LOOSE,))


@pytest.fixture(scope="module", params=[Recipe(), FAULTY, Recipe(episodes_per_hour=14.0)])
def nights(request):
    return request.param, [plan_night(request.param, seed=seed) for seed in SEEDS]


def groups_on(plan, side):
    groups = (*plan.episodes, *plan.isolated, *plan.twitches)
    on_side = sorted((g for g in groups if g.on(side)), key=lambda g: g.start_s)
    return [(group, [burst.span_on(side) for burst in group.on(side)]) for group in on_side]


def kind_by_the_rule(spans):
    """What the published rule makes of bursts that stand together, from its wording."""
    lengths = [stop - start for start, stop in spans]
    phasic = [length for length in lengths if 0.25 <= length <= 2.0]
    tonic = [length for length in lengths if length > 2.0]
    if tonic:
        return "mixed" if phasic else "tonic"
    return "phasic" if len(phasic) >= 3 else None


def clusters_by_the_rule(spans):
    """Bursts less than 3 s apart, offset to onset, in one list."""
    found = [[spans[0]]]
    for span in spans[1:]:
        if span[0] - found[-1][-1][1] < 3.0:
            found[-1].append(span)
        else:
            found.append([span])
    return found


def test_each_side_gives_back_the_planned_kinds_under_the_rule(nights):
    for plan in nights[1]:
        for side in SIDES:
            planned = [
                (g.kind if isinstance(g, TrueEpisode) else None, spans) for g, spans in groups_on(plan, side)
            ]
            spans = [span for _, found in planned for span in found]
            ruled = [(kind_by_the_rule(found), found) for found in clusters_by_the_rule(spans)]
            assert ruled == planned


def test_gaps_stay_clear_of_three_seconds(nights):
    for plan in nights[1]:
        for side in SIDES:
            groups = [spans for _, spans in groups_on(plan, side)]
            within = [b[0] - a[1] for g in groups for a, b in pairwise(g)]
            between = [b[0][0] - a[-1][1] for a, b in pairwise(groups)]
            assert min(within) >= 0.25
            assert max(within) < 2.5
            assert min(between) >= 4.0


def test_durations_stay_clear_of_a_quarter_and_of_two_seconds(nights):
    for plan in nights[1]:
        for group in plan.twitches:
            assert all(0.05 < burst.duration_s < 0.2 for burst in group.bursts)
        for group in (*plan.episodes, *plan.isolated):
            for burst in group.bursts:
                assert 0.299 < burst.duration_s < 1.6 or 2.49 < burst.duration_s < 10.01


def test_a_mixed_episode_has_three_phasic_bursts_and_a_tonic_one(nights):
    for plan in nights[1]:
        for episode in plan.episodes:
            for side in SIDES:
                lengths = [burst.duration_s for burst in episode.on(side)]
                if episode.kind == "mixed" and lengths:
                    assert sum(length < 2 for length in lengths) >= 3
                    assert sum(length > 2 for length in lengths) == 1


def test_amplitudes_lie_within_the_limits_on_both_sides_and_use_them(nights):
    recipe, plans = nights
    groups = [g for plan in plans for g in (*plan.episodes, *plan.isolated, *plan.twitches)]
    found = [b.amplitude_on(side) for g in groups for b in g.bursts for side in b.sides]
    assert min(found) >= recipe.amplitude_mvc[0]
    assert max(found) <= recipe.amplitude_mvc[1]
    assert np.quantile(found, 0.02) < 0.19
    assert np.quantile(found, 0.98) > 0.65


def test_count_of_episodes_is_the_rate_times_the_hours_between_the_lights(nights):
    recipe, plans = nights
    for plan in plans:
        hours = (plan.lights_on_s - plan.lights_off_s) / 3600
        assert len(plan.episodes) == round(recipe.episodes_per_hour * hours)


def test_sleep_events_lie_between_the_lights_and_awake_ones_outside(nights):
    for plan in nights[1]:
        for group in (*plan.episodes, *plan.isolated, *plan.twitches):
            assert plan.lights_off_s + 60 < group.start_s < group.stop_s < plan.lights_on_s - 4
        for group in plan.awake:
            assert group.stop_s < plan.lights_off_s - 4 or group.start_s > plan.lights_on_s + 4
        assert sum(group.stop_s < plan.lights_off_s for group in plan.awake) >= 3


def test_nothing_happens_in_a_gap_or_unseen_at_a_loose_electrode():
    seen_on_the_other_side = 0
    for seed in SEEDS:
        plan = plan_night(FAULTY, seed=seed)
        for burst in plan.bursts():
            assert burst.stop_s < 14996 or burst.start_s > 17004
            if LOOSE.start_s - 4 < burst.stop_s and burst.start_s < LOOSE.stop_s + 4:
                assert burst.sides == ("left",)
                seen_on_the_other_side += 1
    assert seen_on_the_other_side > len(SEEDS)


def test_rhythm_is_about_one_hertz_and_sides_differ_by_milliseconds():
    episodes = [e for seed in SEEDS for e in plan_night(Recipe(), seed=seed).episodes]
    phasic = [e.bursts for e in episodes if e.kind == "phasic"]
    periods = [b.start_s - a.start_s for g in phasic for a, b in pairwise(g)]
    rates = 1 / np.array(periods)
    assert rates.mean() == pytest.approx(1.0, abs=0.06)
    assert 0.2 < rates.std() < 0.35
    lags = [abs(burst.right_lag_s) for group in phasic for burst in group]
    assert 0.001 < max(lags) <= 0.012


def test_some_bursts_and_some_episodes_are_on_one_side_only():
    episodes = [e for seed in SEEDS for e in plan_night(Recipe(), seed=seed).episodes]
    alone = [e for e in episodes if not e.on("left")]
    thinned = [e for e in episodes if len({b.sides for b in e.bursts}) == 2]
    assert 0.02 < len(alone) / len(episodes) < 0.09
    assert len(thinned) > 10


def test_episodes_cluster_before_rem_and_are_rare_in_deep_sleep():
    phase = [
        (e.start_s - plan.lights_off_s) % CYCLE_S / CYCLE_S
        for plan in (plan_night(Recipe(), seed=seed) for seed in SEEDS)
        for e in plan.episodes
    ]
    deep, late, rem = np.histogram(phase, bins=[0.25, 0.5, 0.6, 0.78, 0.84, 0.97])[0][[0, 2, 4]]
    assert late / 0.18 > 3 * deep / 0.25
    assert late / 0.18 > 3 * rem / 0.13


def test_same_seed_same_plan_other_seed_other_plan():
    assert plan_night(Recipe(), seed=4) == plan_night(Recipe(), seed=4)
    assert plan_night(Recipe(), seed=4).episodes != plan_night(Recipe(), seed=5).episodes


def test_a_crowded_night_is_refused():
    with pytest.raises(ValueError, match="too short"):
        plan_night(Recipe(hours=0.5, settle_s=60.0, episodes_per_hour=500.0), seed=1)


def test_marks_say_rest_clench_and_lights_in_order():
    plan = plan_night(Recipe(), seed=1)
    test = ["Rest", NATURAL, NATURAL, NATURAL]
    assert [cue.text for cue in plan.cues] == [*test, "Lights off", "Lights on", *test]
    assert [cue.duration_s for cue in plan.cues[:4]] == [20.0, 3.0, 3.0, 3.0]
    assert plan.cues[-1].start_s + plan.cues[-1].duration_s < plan.duration_s
    for (text, burst), cue in zip(plan.clenches, [c for c in plan.cues if c.text == NATURAL], strict=True):
        assert text == cue.text
        assert cue.start_s < burst.start_s < burst.stop_s < cue.start_s + cue.duration_s


def test_best_clench_of_each_test_is_the_mvc_it_states():
    plan = plan_reference([(NATURAL, 1.0), ("Clench with splint", 0.8)], seed=1, mvc_uv=(200, 180))
    best = {text: max(b.amplitude for t, b in plan.clenches if t == text) for text, _ in plan.clenches}
    assert best == pytest.approx({NATURAL: 1.0, "Clench with splint": 0.8})
    assert plan.lights_off_s is None


def test_gain_scales_the_mvc():
    plan = plan_night(replace(Recipe(), gain=(0.8, 1.25)), seed=1)
    assert plan.mvc_uv == pytest.approx((168.0, 237.5))
