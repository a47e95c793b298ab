"""The bruxism rule of the AASM manual on the channel that it names, the chin.

Iber C et al., first edition 2007; Berry RB et al., version 2: from memory throughout. What a chin channel is
worth: Li D, Aarab G, Lobbezoo F, Arcache P, Lavigne GJ, Huynh N. J Clin Sleep Med 2022 (sensitivity 41.1 %,
positive predictive value 62.9 % against four channels; read, in part from memory).
"""

import numpy as np
import pytest

import sleepbrux as sb
from sleepbrux.archive.file import load_night, save_night
from sleepbrux.criteria import CHIN_ID, load_criterion

from .tables import RATE, emg, in_words, lasting, scored, steady, train

RULES = load_criterion("aasm_chin")
PHASIC = train([1.0] * 3, 1.0, at_s=60.0)


def recording(*labels, at=PHASIC, rest_uv=5.0, seconds=120):
    """Three bursts of 1 s on every channel."""
    rng, rows = np.random.default_rng(1), []
    for _ in labels:
        row = emg(rng, seconds * RATE) * rest_uv
        for start, stop in at:
            a, b = round(start * RATE), round(stop * RATE)
            row[a:b] = emg(rng, b - a) * 50.0
        rows.append(row)
    return sb.from_array(np.array(rows), RATE, list(labels))


def codes(night):
    return [n.code for n in night.notes]


# The clauses


def test_exactly_twice_the_background_is_enough():
    stretches = [(20.0, 21.0, 9.9), (60.0, 61.0, 10.0), (90.0, 91.0, 10.1)]
    assert steady(RULES, stretches, rest_uv=5.0, mvc_uv=None) == [(60.0, 61.0), (90.0, 91.0)]


@pytest.mark.parametrize(
    ("duration_s", "kind"), [(0.24, "short"), (0.25, "phasic"), (2.0, "phasic"), (2.01, "tonic")]
)
def test_brief_is_0_25_to_2_s_and_sustained_is_more_than_2_s(duration_s, kind):
    assert scored(RULES, [lasting(duration_s)]).kinds == [kind]


def test_three_brief_elevations_are_an_episode_and_two_are_not():
    assert scored(RULES, train([0.5] * 3, 1.0)).found == [("phasic", 3)]
    assert scored(RULES, train([0.5] * 2, 1.0)).found == []


def test_three_elevations_follow_each_other_regularly():
    split = [(10.0, 10.5), (11.0, 11.5), (14.0, 14.1), (16.2, 16.7), (17.2, 17.7)]
    assert scored(RULES, split).found == []
    assert scored(RULES, [*split, (18.2, 18.7)]).found == [("phasic", 5)]


def test_one_sustained_elevation_is_an_episode():
    assert scored(RULES, [lasting(2.01)]).found == [("tonic", 1)]


def test_3_s_of_stable_background_come_before_a_new_episode():
    assert scored(RULES, train([2.5, 2.5], 2.99)).found == [("tonic", 2)]
    assert scored(RULES, train([2.5, 2.5], 3.0)).found == [("tonic", 1), ("tonic", 1)]
    assert scored(RULES, [(10.0, 13.0), (14.5, 14.6), (17.0, 20.0)]).found == [("tonic", 2)]


def test_there_is_no_mixed_class():
    assert scored(RULES, train([3.0, 0.5, 0.5, 0.5], 1.0)).found == [("tonic", 4)]


def test_every_value_is_that_of_the_rule_for_the_jaw():
    assert dict(RULES.values()) == dict(load_criterion("aasm").values())


# Which channels


def test_by_this_rule_the_chin_is_scored_and_the_masseter_is_not():
    night = sb.score(recording("EMG Chin", "EMG Masseter L"), criterion=CHIN_ID)
    assert [f.channel.label for f in night.swept.frames] == ["EMG Chin"]
    assert in_words(night) == [("phasic", 3)]


@pytest.mark.parametrize("label", ["Submental", "Chin1", "EMG Chin"])
def test_labels_of_the_chin(label):
    assert in_words(sb.score(recording(label), criterion=CHIN_ID)) == [("phasic", 3)]


def test_a_masseter_is_refused_by_this_rule_also_when_it_is_named_or_scored_again():
    with pytest.raises(
        sb.UsageError, match=r"aasm_chin is for chin channels, and 'EMG Masseter L' is labelled"
    ):
        sb.score(recording("EMG Chin", "EMG Masseter L"), criterion=CHIN_ID, channels=["EMG Masseter L"])
    night = sb.score(recording("EMG Masseter L"), mvc_uv=190)
    with pytest.raises(sb.UsageError, match="is for chin channels"):
        sb.rescore(night, CHIN_ID)
    with pytest.raises(sb.SleepbruxError, match="no channel is recognised as a chin muscle"):
        sb.score(recording("EMG Masseter L"), criterion=CHIN_ID)


def test_a_recording_of_the_chin_alone_is_not_scored_unasked():
    with pytest.raises(sb.SleepbruxError, match="or score the chin by `criterion` aasm_chin"):
        sb.score(recording("EMG Chin"))
    with pytest.raises(sb.SleepbruxError, match="no channel is recognised as a jaw muscle"):
        sb.score(recording("EMG Chin"), criterion="aasm")


def test_chin_channels_that_are_named_are_scored_by_this_rule_unless_another_is_asked_for():
    night = sb.score(recording("EMG Chin", "EMG Masseter L"), channels=["EMG Chin"])
    assert night.criterion.id == CHIN_ID
    assert "criterion-for-chin" in codes(night)
    other = sb.score(recording("EMG Chin"), channels=["EMG Chin"], criterion="aasm")
    assert other.criterion.id == "aasm"
    assert "chin-as-jaw" in codes(other)


# What the reader is told


def test_every_night_of_the_chin_says_what_such_a_count_is_worth(tmp_path):
    night = sb.score(recording("EMG Chin"), criterion=CHIN_ID)
    save_night(night, tmp_path / "n.night.h5")
    for each in (night, load_night(tmp_path / "n.night.h5"), sb.rescore(night, "aasm")):
        (text,) = [n.text for n in each.notes if n.code == "chin-scored"]
        assert "found 41 % of the events of four channels" in text
    assert "chin-as-jaw" not in codes(night)
    assert "chin-scored" not in codes(sb.score(recording("EMG Masseter L"), mvc_uv=190))


def test_robustness_of_such_a_night_shows_rules_for_the_chin_alone_and_of_others_none():
    chin = sb.score(recording("EMG Chin"), criterion=CHIN_ID)
    assert [row.id for row in sb.assess_robustness(chin).rows] == [CHIN_ID]
    jaw = sb.score(recording("EMG Masseter L"), mvc_uv=190)
    assert CHIN_ID not in [row.id for row in sb.assess_robustness(jaw).rows]


def test_the_digests_of_rules_for_the_jaw_are_those_of_before_there_was_a_choice():
    import hashlib

    import msgspec

    rule = load_criterion("aasm")
    table = {k: v for k, v in msgspec.to_builtins(rule).items() if k != "muscle"}
    assert rule.digest() == hashlib.sha256(msgspec.json.encode(table, order="sorted")).hexdigest()
    assert RULES.digest() != rule.digest()
