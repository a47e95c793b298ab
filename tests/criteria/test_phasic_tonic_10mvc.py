"""A composite: 10 % MVC with the bursts and episodes of Lavigne 1996.

Threshold: 10 % MVC, in 11 of 78 ambulatory studies that used it alone. Thymi M et al. J Oral Rehabil
2021;48:846-871. doi:10.1111/joor.13170 (read).
Bursts and episodes: Lavigne GJ, Rompré PH, Montplaisir JY. J Dent Res 1996;75(1):546-552 (from
memory; test_lavigne1996.py).
Grades: low 2-4 episodes/h, moderate-high at least 4 episodes/h and 25 bursts/h. Rompré 2007 as
applied by Hasegawa Y et al. J Clin Sleep Med 2013;9:1139-1145. doi:10.5664/jcsm.3152 (read).
"""

import pytest

from sleepbrux.core.spans import Grid
from sleepbrux.criteria import DEFAULT_ID, load_criterion
from sleepbrux.scoring.sides import combine_sides

from .tables import (
    FRAME,
    MASSETERS,
    burst_table,
    in_words,
    lasting,
    night_of,
    scored,
    steady,
    tone,
    train,
)

pytestmark = pytest.mark.shows("phasic-tonic")

RULES = load_criterion("phasic_tonic_10mvc")
LAVIGNE = load_criterion("lavigne1996")


def test_activity_must_exceed_10_pct_mvc():
    stretches = [(20.0, 21.0, 19.9), (40.0, 41.0, 20.0), (60.0, 61.0, 20.1)]
    assert steady(RULES, stretches, mvc_uv=200.0) == [(60.0, 61.0)]


@pytest.mark.parametrize(("pct", "found"), [(9.0, []), (11.0, [("phasic", 3)])])
def test_a_recorded_tone_at_11_pct_mvc_is_scored_and_one_at_9_is_not(pct, found):
    stretches = [(a, b, 2 * pct) for a, b in train([1.0] * 3, 1.0, at_s=40.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=200.0, carrier=tone)) == found


@pytest.mark.parametrize(("pct", "found"), [(5.0, []), (20.0, [("phasic", 3)])])
def test_recorded_emg_at_twice_the_level_is_scored_and_at_half_of_it_is_not(pct, found):
    stretches = [(a, b, 2 * pct) for a, b in train([1.0] * 3, 1.0, at_s=40.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=200.0)) == found


def test_what_lies_between_10_and_20_pct_is_scored_here_and_not_by_lavigne():
    stretches = [(a, b, 2 * 15.0) for a, b in train([1.0] * 3, 1.0, at_s=40.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=200.0, carrier=tone)) == [("phasic", 3)]
    assert in_words(night_of(LAVIGNE, stretches, mvc_uv=200.0, carrier=tone)) == []


def test_each_channel_has_its_own_mvc():
    grid = Grid(FRAME, 1000)
    tables = [burst_table([(100, 200)], grid, RULES, label=label, level_uv=[50.0]) for label in MASSETERS]
    merged = combine_sides(tables, RULES, [200.0, 100.0])
    assert merged.peak_pct_mvc.tolist() == [50.0]
    assert merged.peak_uv.tolist() == [50.0]


def test_bursts_and_episodes_are_those_of_lavigne():
    assert (RULES.burst, RULES.episode) == (LAVIGNE.burst, LAVIGNE.episode)


@pytest.mark.parametrize(
    ("duration_s", "kind"), [(0.24, "short"), (0.25, "phasic"), (2.0, "phasic"), (2.01, "tonic")]
)
def test_bursts_are_phasic_from_0_25_to_2_0_s_and_tonic_beyond(duration_s, kind):
    assert scored(RULES, [lasting(duration_s)]).kinds == [kind]


@pytest.mark.parametrize(
    ("durations_s", "pause_s", "found"),
    [
        ([0.5, 0.5], 1.0, []),
        ([0.5, 0.5, 0.5], 2.99, [("phasic", 3)]),
        ([0.5, 0.5, 0.5], 3.0, []),
        ([2.5], 1.0, [("tonic", 1)]),
        ([2.5, 0.5], 2.99, [("mixed", 2)]),
        ([2.5, 0.5], 3.0, [("tonic", 1)]),
    ],
)
def test_episodes_by_table(durations_s, pause_s, found):
    assert scored(RULES, train(durations_s, pause_s)).found == found


def test_it_is_the_default_and_calls_itself_a_composite():
    assert RULES.id == DEFAULT_ID
    assert "composite" in RULES.title
    assert "A composite: no single paper publishes this rule set." in RULES.departures


def test_the_threshold_was_read_and_the_burst_rule_was_not():
    assert RULES.sources["threshold.level_pct_mvc"].status == "read"
    assert RULES.sources["burst.minimum_s"].status == "from memory"


def test_the_grades_are_inclusive_as_hasegawa_applies_them():
    assert [(c.measure, c.comparison, c.value) for c in RULES.cut_offs] == [
        ("episodes_per_hour", ">=", 4.0),
        ("bursts_per_hour", ">=", 25.0),
    ]
    assert all("polysomnography" in c.made_for for c in RULES.cut_offs)


UNITS = {"1/h", "1", "%", "h", "s", "Hz", "µV", "% MVC", "µV·s/h", "% MVC·s/h"}


def test_no_class_of_patient_is_among_the_measures():
    night = night_of(RULES, [(a, b, 120.0) for a, b in train([1.0] * 3, 1.0, at_s=40.0)])
    for name, measure in night.measures.items():
        assert measure.unit in UNITS, name
