"""Clench test by appliance: levels against natural teeth, tiredness told apart, intervals that hold."""

import json
import math
from collections import Counter

import numpy as np
import pytest

from sleepbrux.core.errors import ReferenceLevelError
from sleepbrux.reference.clench_test import Clench, balanced_order, clench_test, condition_of
from sleepbrux.report.clench_page import NightsBeside, clench_json, clench_page
from sleepbrux.signal.sweep import sweep
from sleepbrux.study.clench_tests import recording_test, study_tests
from sleepbrux.study.file import load_study
from sleepbrux.synth.layout import NATURAL as MARK
from sleepbrux.synth.layout import plan_reference
from sleepbrux.synth.render import write_night
from tests.nights import LABELS, recording_of

NATURAL = "natural teeth"
TESTS = [(MARK, 1.0), ("Clench with splint", 1.05), ("Clench with front stop", 0.6), (MARK, 1.0)]


@pytest.fixture(scope="module")
def frames():
    recording = recording_of([[], []], seconds=4)
    return sweep(recording, recording.channels)


def session(order, *, effect=None, tiredness=0.0, spread=0.0, each=3, seed=0, gap_s=70.0):
    """Trials in µV; left at 200 on natural teeth, right at 160."""
    rng = np.random.default_rng(seed)
    trials, at = [], 0.0
    for condition in order:
        at += gap_s
        for _ in range(each):
            uv = (effect or {}).get(condition, 1.0) * (1 - tiredness) ** len(trials)
            levels = {
                label: base * uv * math.exp(spread * rng.standard_normal())
                for label, base in zip(LABELS, (200.0, 160.0), strict=True)
            }
            trials.append(Clench(condition, at, at + 3, levels))
            at += 13
    return trials


def of(test, condition, channel=0):
    return next(c for c in test.channels[channel].conditions if c.condition == condition)


def test_tiredness_is_taken_out_where_natural_teeth_come_first_and_last(frames):
    order = (NATURAL, "A", "B", NATURAL)
    test = clench_test("t", frames, session(order, effect={"A": 1.1, "B": 0.7}, tiredness=0.03))
    assert of(test, "A").without_tiredness.pct == pytest.approx(110)
    assert of(test, "B").without_tiredness.pct == pytest.approx(70)
    assert test.channels[0].tiredness_pct.pct == pytest.approx(-3)
    assert "Repeating natural teeth separates fatigue from the appliance" in test.tiredness


@pytest.mark.parametrize("order", [("A", "B"), ("B", "A")])
def test_the_order_of_the_appliances_makes_no_difference_once_tiredness_is_out(frames, order):
    effect = {"A": 1.1, "B": 0.7}
    trials = session((NATURAL, *order, NATURAL), effect=effect, tiredness=0.04)
    test = clench_test("t", frames, trials)
    for name, share in effect.items():
        assert of(test, name).without_tiredness.pct == pytest.approx(100 * share)


def test_natural_teeth_first_only_leaves_tiredness_in_and_says_so(frames):
    test = clench_test("t", frames, session((NATURAL, "A"), tiredness=0.03))
    assert of(test, "A").without_tiredness is None
    assert of(test, "A").as_measured.pct < 95  # nothing but tiredness
    assert "cannot be separated" in test.tiredness
    assert "natural-not-first-and-last" in {n.code for n in test.notes}


def test_intervals_hold_in_nineteen_of_twenty_sessions_of_few_clenches(frames):
    hits, wide = [], []
    for seed in range(600):
        trials = session(
            (NATURAL, "A", "B", NATURAL), effect={"A": 0.8}, tiredness=0.02, spread=0.08, each=2, seed=seed
        )
        share = of(clench_test("t", frames[:1], trials), "A").without_tiredness
        hits.append(share.low <= 80 <= share.high)
        wide.append(share.high - share.low)
    assert np.mean(hits) == pytest.approx(0.95, abs=0.03)  # 3.3 standard errors of 600 sessions
    assert np.median(wide) > 15  # eight clenches know little, and say so


def test_fewer_clenches_give_wider_intervals(frames):
    def width(each):
        widths = []
        for seed in range(40):
            trials = session((NATURAL, "A", NATURAL), spread=0.06, each=each, seed=seed)
            share = of(clench_test("t", frames, trials), "A").without_tiredness
            widths.append(share.high - share.low)
        return np.median(widths)

    assert width(2) > width(3) > width(6)


def test_one_clench_a_condition_has_no_interval(frames):
    test = clench_test("t", frames, session((NATURAL, "A"), each=1))
    assert of(test, "A").as_measured.low is None
    assert "no interval" in clench_page(test)
    assert "single-trial" in {n.code for n in test.notes}


def test_the_best_is_of_equal_numbers_of_trials(frames):
    trials = session((NATURAL, "A", NATURAL), spread=0.1, seed=3)
    test = clench_test("t", frames, trials)
    natural = [t.levels_uv[LABELS[0]] for t in trials if t.condition == NATURAL]
    rng = np.random.default_rng(1)
    drawn = [max(rng.choice(natural, 3, replace=False)) for _ in range(20000)]
    assert test.channels[0].equal_trials == 3
    assert of(test, NATURAL).best_uv == pytest.approx(np.mean(drawn), rel=2e-3)
    assert of(test, NATURAL).best_uv < max(natural)


def test_asymmetry_is_left_less_right_over_their_sum(frames):
    test = clench_test("t", frames, session((NATURAL, "A", NATURAL)))
    assert [a.condition for a in test.asymmetry] == [NATURAL, "A"]
    assert [a.pct for a in test.asymmetry] == pytest.approx([100 * 40 / 360] * 2)


def test_short_rests_are_told(frames):
    codes = {n.code for n in clench_test("t", frames, session((NATURAL, "A", NATURAL), gap_s=20)).notes}
    assert "rest-short" in codes
    codes = {n.code for n in clench_test("t", frames, session((NATURAL, "A", NATURAL), gap_s=70)).notes}
    assert "rest-short" not in codes


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ((), "no mark with a duration"),
        (("A", "B"), "needs natural teeth"),
        ((NATURAL,), "needs natural teeth"),
        ((NATURAL, "not stated"), "do not say what was between the teeth"),
    ],
)
def test_what_is_no_test_is_refused_in_a_sentence(frames, order, words):
    with pytest.raises(ReferenceLevelError, match=words):
        clench_test("t", frames, session(order))


def test_a_mark_names_a_condition_of_the_study():
    names = ["stop", "front stop"]
    assert condition_of("MVC Front Stop 2", names) == "front stop"
    assert condition_of("Clench with splint", names) == "splint"
    assert condition_of("MVC 3", names, otherwise=NATURAL) == NATURAL


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_over_persons_each_appliance_comes_equally_often_at_each_place(n):
    names = [f"A{k}" for k in range(n)]
    orders = [balanced_order(names, person) for person in range(2 * n)]
    assert all(o[0] == o[-1] == NATURAL and sorted(o[1:-1]) == names for o in orders)
    for place in range(1, n + 1):
        assert set(Counter(o[place] for o in orders).values()) == {2}


# ---------------------------------------------------------------- from recordings


@pytest.fixture(scope="module")
def chair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("chair")
    plan = plan_reference(TESTS, seed=11, mvc_uv=(215.0, 190.0), tiredness=0.02)
    write_night(plan, folder / "chair.edf")
    return folder


def test_a_generated_session_gives_back_its_truth(chair):
    test = recording_test(chair / "chair.edf")
    assert test.order == (NATURAL, "splint", "front stop", NATURAL)
    for channel in range(2):
        for name, truth in (("splint", 105), ("front stop", 60)):
            share = of(test, name, channel).without_tiredness
            assert share.pct == pytest.approx(truth, rel=0.12)
            assert share.low < truth < share.high
        tired = test.channels[channel].tiredness_pct
        assert tired.low < -2 < tired.high
        assert tired.high < 0


STUDY = """
pseudonym = "P"
[[reference]]
id = "c"
recording = "chair.edf"
teeth = "natural"
[[night]]
id = "n"
recording = "n.edf"
condition = "front stop"
"""


def test_a_study_names_its_chair_recording(chair):
    (chair / "study.toml").write_text(STUDY)
    (test,) = study_tests(load_study(chair / "study.toml"), chair)
    assert test.name == "chair"
    assert {c.condition for c in test.channels[0].conditions} == {NATURAL, "splint", "front stop"}


def test_page_and_json_say_that_a_chairside_level_is_no_night(chair):
    test = recording_test(chair / "chair.edf")
    nights = [NightsBeside("none", (4.0, 6.0), 0), NightsBeside("front stop", (3.0,), 1)]
    page, table = clench_page(test, nights), json.loads(clench_json(test, nights))
    for text in (page, table["statement"]):
        assert "A chairside level is not a night-time effect" in text
    assert "independent" in table["assumes"]
    assert "5.00" in page
    assert "4.00 to 6.00" in page
    assert table["channels"][0]["conditions"][0]["condition"] == NATURAL
    assert "<script" not in page


def test_a_hostile_appliance_name_is_only_text(frames):
    name = "<img src=x onerror=alert(1)>"
    page = clench_page(clench_test("t", frames, session((NATURAL, name, NATURAL))))
    assert "<img" not in page
