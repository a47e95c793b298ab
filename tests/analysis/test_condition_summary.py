"""Several nights under one condition: each number against a hand count, scipy or a simulation."""

import dataclasses
import json
import math
import warnings

import numpy as np
import pytest
from scipy import stats

from sleepbrux.analysis import condition_summary as several
from sleepbrux.analysis.comparison.study import rate_words
from sleepbrux.analysis.condition_summary import (
    nights_needed,
    split_spread,
    summarise,
    t_interval,
)
from sleepbrux.archive import nights as nights_module
from sleepbrux.archive.nights import Basis, Missing, NightFigures, NightValue
from sleepbrux.core.errors import UsageError
from sleepbrux.reference import given
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import score_night
from sleepbrux.study.file import Study, StudyNight
from tests.nights import LABELS, recording_of, rhythm

BASIS = Basis("phasic_tonic_10mvc", "d1", "lights off to on", ("L", "R"), "as given; rms")


def study_of(*nights, **options):
    """A study of (id, condition) or (id, condition, date)."""
    return Study(
        pseudonym="P1",
        night=tuple(
            StudyNight(id=i, recording=f"{i}.edf", condition=c, date=d[0] if d else None)
            for i, c, *d in nights
        ),
        **options,
    )


def night_of(id_, count, hours=8.0, *, condition="none", basis=BASIS, digest=None, **more):
    rate = count / hours if hours else None
    measures = {
        "episodes_per_hour": Measure(rate, "1/h", "", "" if hours else "no valid time"),
        "episode_count": Measure(float(count), "1", ""),
        "valid_hours": Measure(hours, "h", ""),
    }
    return NightFigures(id_, condition, basis, digest or id_, hours, 4.0, measures, **more)


def condition_of(*nights, **options):
    study = study_of(*((n.id, n.condition) for n in nights), **options)
    return summarise(study, nights).conditions[0]


def counted(*pairs):
    return [NightValue(str(k), c / h, c, h) for k, (c, h) in enumerate(pairs)]


def test_hours_just_below_the_least_are_shown_below_it():
    nights = [night_of(str(k), 4, hours) for k, hours in enumerate((3.9996, 3.99999999, 4.0))]
    said = [n.remarks for n in condition_of(*nights).nights]
    assert said[0][0].startswith("3.9996 valid hours, fewer than the 4 h")
    assert said[1][0].startswith("3.99999999 valid hours")
    assert said[2] == ()


# --- the interval of the mean


@pytest.mark.parametrize("n", [2, 3, 5, 14])
def test_the_interval_is_student_t(n):
    values = np.random.default_rng(n).gamma(4, 1.5, n).tolist()
    found = t_interval(values)
    low, high = stats.t.interval(0.95, n - 1, loc=np.mean(values), scale=stats.sem(values))
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)
    assert f"{n} nights" in found.meaning


def test_the_interval_by_hand():
    # mean 4, SD 2, n 3: t(0.975, 2) = 4.302653 (printed tables: 4.303); 4.302653 x 2 / sqrt 3
    found = t_interval([2.0, 4.0, 6.0])
    assert found.high - 4 == pytest.approx(4.968275, abs=1e-6)
    assert found.low == pytest.approx(-0.968275, abs=1e-6)
    assert t_interval([2.0, 4.0, 6.0], floor=0.0).low == 0
    assert t_interval([2.0, 4.0, 6.0], floor=0.0).high == found.high


@pytest.mark.parametrize("values", [[], [5.0]])
def test_no_interval_below_two_nights(values):
    assert t_interval(values) is None


def test_the_interval_covers_the_mean_of_normal_nights():
    drawn = np.random.default_rng(11).normal(5, 1.2, (2000, 4)).tolist()
    inside = [i.low <= 5 <= i.high for i in map(t_interval, drawn)]
    assert np.mean(inside) == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 2000))


# --- the spread


def test_the_split_by_hand():
    # rates 2, 4, 6 from 8 h each: variance 4; counting (16 + 32 + 48) / 3 / 64 = 0.5; rest 3.5
    found = split_spread(counted((16, 8), (32, 8), (48, 8)))
    assert found.sd == pytest.approx(2)
    assert found.cv_pct == pytest.approx(50)
    assert found.counting_sd**2 == pytest.approx(0.5)
    assert found.counting_cv_pct == pytest.approx(100 * math.sqrt(0.5) / 4)
    assert found.nights_sd**2 == pytest.approx(3.5)
    assert found.nights_cv_pct == pytest.approx(100 * math.sqrt(3.5) / 4)
    assert found.counting_explains_all is False
    assert found.sentence == "Poisson variation makes 12 % of the variance of these nights"


def test_each_night_brings_its_own_hours():
    # 10 / 5² = 0.4 and 10 / 10² = 0.1
    found = split_spread(counted((10, 5), (10, 10)))
    assert found.counting_sd**2 == pytest.approx(0.25)
    assert found.sd**2 == pytest.approx(0.5)


def test_what_is_left_is_never_negative_and_said_in_words():
    found = split_spread(counted((16, 8), (16, 8), (17, 8)))
    assert found.nights_sd == 0
    assert found.nights_cv_pct == 0
    assert found.counting_sd > found.sd
    assert found.counting_explains_all
    assert found.sentence.startswith("Poisson variation alone explains the spread of these 3 nights")


def test_nights_without_events_say_nothing_of_the_spread():
    found = split_spread(counted((0, 8), (0, 8)))
    assert (found.sd, found.counting_sd, found.nights_sd) == (0, 0, 0)
    assert found.cv_pct is None
    assert found.sentence.startswith("no event in any night")


@pytest.mark.parametrize(("n", "words"), [(0, "no night"), (1, "one night")])
def test_there_is_no_spread_of_one_night(n, words):
    found = split_spread(counted(*[(8, 8)] * n))
    assert found == several.Spread(f"no spread from {words}")


def test_a_measure_that_counts_nothing_is_not_split():
    found = split_spread([NightValue("a", 1.0), NightValue("b", 3.0), NightValue("c", None)])
    assert found.sd == pytest.approx(math.sqrt(2))
    assert found.counting_sd is None
    assert found.nights_cv_pct is None
    assert "not a count" in found.sentence


@pytest.mark.parametrize("cv", [0.0, 0.253, 0.507])
def test_simulated_nights_give_the_true_split(cv):
    """Gamma nights of mean 5 an hour, Poisson counts in 4 to 9 hours: both variances unbiased."""
    rng = np.random.default_rng(2718)
    people, n, mean = 4000, 6, 5.0
    hours = rng.uniform(4, 9, (people, n))
    true = rng.gamma(1 / cv**2, mean * cv**2, (people, n)) if cv else np.full((people, n), mean)
    counts = rng.poisson(true * hours)
    raw, counting = [], []
    for c, h in zip(counts.tolist(), hours.tolist(), strict=True):
        found = split_spread(counted(*zip(c, h, strict=True)))
        raw.append(found.sd**2 - found.counting_sd**2)
        counting.append(found.counting_sd**2)
        assert found.nights_sd**2 == pytest.approx(max(raw[-1], 0), abs=1e-9)
    assert np.mean(raw) == pytest.approx((mean * cv) ** 2, abs=3 * stats.sem(raw))
    expected = mean * np.mean(1 / hours)
    assert np.mean(counting) == pytest.approx(expected, abs=4 * stats.sem(counting))


def test_many_nights_of_one_person_give_the_true_cv():
    rng = np.random.default_rng(31)
    counts = rng.poisson(rng.gamma(1 / 0.3**2, 5 * 0.3**2, 5000) * 7.0).tolist()
    found = split_spread(counted(*((c, 7.0) for c in counts)))
    # the SD of an estimated CV is near cv / sqrt(2 n) = 0.3 points; gamma tails and counts add some
    assert found.nights_cv_pct == pytest.approx(30, abs=1.5)
    assert found.counting_cv_pct == pytest.approx(100 / math.sqrt(5 * 7), rel=0.02)


# --- nights still needed


@pytest.mark.parametrize(
    ("cv_pct", "at_20", "at_30"),
    [
        (25.3, 7, 3),  # Lavigne 2001, episodes per hour: J Sleep Res, PMID 11696077
        (30.4, 9, 4),  # Lavigne 2001, bursts per hour
        (50.7, 25, 11),  # Miettinen 2018, RMMA index: doi:10.5664/jcsm.7278
        (53.5, 28, 13),  # Lavigne 2001, episodes with noise
    ],
)
def test_nights_from_published_cvs(cv_pct, at_20, at_30):
    """The CVs are the papers'; the nights follow from n = (1.96 CV / half-width)², rounded up."""
    assert nights_needed(cv_pct, 20, quantile="normal") == at_20
    assert nights_needed(cv_pct, 30, quantile="normal") == at_30
    assert math.ceil((1.959964 * cv_pct / 30) ** 2) == at_30


@pytest.mark.parametrize("cv_pct", [0.0, 3.0, 12.0, 25.3, 50.7, 140.0])
@pytest.mark.parametrize("half", [10.0, 30.0])
def test_the_t_number_fits_and_one_night_fewer_does_not(cv_pct, half):
    def width(n):
        return stats.t.ppf(0.975, n - 1) * cv_pct / math.sqrt(n)

    n = nights_needed(cv_pct, half)
    assert n >= 2
    assert width(n) <= half
    assert n == 2 or width(n - 1) > half
    assert n >= nights_needed(cv_pct, half, quantile="normal")


def test_three_nights_speak_for_themselves():
    # rates 4, 5, 6: CV 20 %; t: n = 5 gives 24.8 %, n = 4 31.8 %
    outcome = condition_of(night_of("a", 32), night_of("b", 40), night_of("c", 48)).outcomes[0]
    (row,) = outcome.needed
    assert row.cv_pct == pytest.approx(20)
    assert (row.nights, row.nights_if_cv_known, row.still_needed) == (5, 2, 2)
    assert row.source == "own CV, 3 nights"


def test_below_three_nights_published_cvs_stand_in_and_are_named():
    outcome = condition_of(night_of("a", 32), night_of("b", 40)).outcomes[0]
    assert [row.cv_pct for row in outcome.needed] == [25.3, 50.7]
    assert [row.nights_if_cv_known for row in outcome.needed] == [3, 11]
    assert [row.still_needed for row in outcome.needed] == [r.nights - 2 for r in outcome.needed]
    assert "Lavigne 2001" in outcome.needed[0].source
    assert "Miettinen 2018" in outcome.needed[1].source
    assert all(row.source.startswith("published") for row in outcome.needed)


def test_without_own_or_published_cv_there_is_a_reason():
    nights = night_of("a", 32), night_of("b", 40)
    outcome = condition_of(*nights, primary_outcome="valid_hours").outcomes[0]
    assert outcome.needed == ()
    assert "no published CV" in outcome.none_needed
    quiet = condition_of(*(night_of(i, 0) for i in "abc")).outcomes[0]
    assert quiet.needed == ()
    assert "mean is not above 0" in quiet.none_needed


# --- a condition


def test_a_condition_by_hand():
    condition = condition_of(*(night_of(i, c) for i, c in zip("abcd", (8, 16, 24, 48), strict=True)))
    outcome = condition.outcomes[0]
    assert (outcome.name, outcome.role, outcome.unit) == ("episodes_per_hour", "primary", "1/h")
    assert (outcome.nights, outcome.mean, outcome.median) == (4, 3.0, 2.5)
    assert (outcome.lowest, outcome.highest) == (1.0, 6.0)
    assert outcome.spread.sd == pytest.approx(math.sqrt(14 / 3))
    assert [v.count for v in outcome.values] == [8, 16, 24, 48]
    assert (outcome.first.value, outcome.first.others) == (1.0, 3)
    assert outcome.first.mean_of_others == pytest.approx(11 / 3)
    assert outcome.first.first_of_study
    assert {o.role for o in condition.outcomes[1:]} == {"descriptive"}


def test_one_night_gives_no_interval():
    outcome = condition_of(night_of("a", 32)).outcomes[0]
    assert outcome.interval is None
    assert outcome.no_interval == "no interval from one night"
    assert outcome.first.mean_of_others is None
    assert outcome.spread.sd is None
    assert outcome.mean == 4


def test_nights_all_alike_give_no_interval_of_width_zero():
    outcome = condition_of(*(night_of(i, 32) for i in "abc")).outcomes[0]
    assert outcome.interval is None
    assert outcome.no_interval.startswith("no interval: all nights have the same value")
    assert outcome.needed == ()
    assert outcome.spread.counting_explains_all


def test_an_integral_may_lie_below_zero_and_a_rate_not():
    name = "integral_above_background_uv_s_per_hour"
    nights = [
        dataclasses.replace(n, measures={**n.measures, name: Measure(v, "µV·s/h", "")})
        for n, v in ((night_of("a", 1), -10.0), (night_of("b", 40), 20.0))
    ]
    outcomes = {o.name: o for o in condition_of(*nights).outcomes}
    assert outcomes[name].interval.low < 0
    assert outcomes[name].values[0].count is None
    assert outcomes["episodes_per_hour"].interval.low == 0


def test_a_night_without_valid_time_has_no_value_and_is_marked():
    condition = condition_of(night_of("a", 32), night_of("b", 0, 0.0), night_of("c", 9, 3.0))
    outcome = condition.outcomes[0]
    assert outcome.nights == 2
    assert outcome.mean == 3.5
    assert outcome.values[1].reason == "no valid time"
    assert [bool(n.remarks) for n in condition.nights] == [False, True, True]
    assert "fewer than the 4 h" in condition.nights[2].remarks[0]


def test_a_count_is_analysed_as_a_count_of_the_night():
    nights = [night_of(i, c) for i, c in zip("abc", (10, 20, 60), strict=True)]
    outcome = condition_of(*nights, primary_outcome="episode_count").outcomes[0]
    assert [(v.count, v.exposure) for v in outcome.values] == [(10, 1), (20, 1), (60, 1)]
    assert outcome.spread.counting_sd**2 == pytest.approx(30)
    assert outcome.spread.nights_sd**2 == pytest.approx(700 - 30)


@pytest.mark.parametrize(
    ("name", "of"),
    [
        ("episodes_per_hour_of_sleep", "sleep_hours"),
        ("episodes_in_probable_sleep_per_hour", "awake_estimated_hours"),
    ],
)
def test_a_rate_that_is_not_per_valid_hour_is_counted_over_its_own_hours(name, of):
    own = {name: Measure(12 / 6.0, "1/h", ""), of: Measure(6.0, "h", "")}
    night = night_of("a", 20)
    night = dataclasses.replace(night, measures={**night.measures, **own})
    found = nights_module.night_value(night, name)
    assert (found.count, found.exposure) == (12, 6.0)


@pytest.mark.parametrize("name", ["episodes_in_n2_per_hour", "episodes_position_left_side_per_hour"])
def test_a_rate_over_hours_that_are_not_known_is_no_count(name):
    """3 episodes in 1.5 h of a stage are not 16 in 8 valid hours."""
    night = night_of("a", 20)
    night = dataclasses.replace(night, measures={**night.measures, name: Measure(3 / 1.5, "1/h", "")})
    found = nights_module.night_value(night, name)
    assert (found.value, found.count, found.exposure) == (2.0, None, None)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("episodes_per_hour", "episodes per valid hour"),
        ("phasic_episodes_per_hour", "phasic episodes per valid hour"),
        (
            "episodes_in_probable_sleep_per_hour",
            "in probable sleep per valid hour for which that is estimated",
        ),
        ("episodes_outside_wake_per_hour", "outside wake per valid hour scored as sleep"),
        ("episodes_outside_wake_and_movement_per_hour", "outside wake and body movements per hour"),
        ("episodes_in_n2_per_hour", "episodes per hour in stage n2"),
    ],
)
def test_an_outcome_names_the_hours_that_it_is_divided_by(name, words):
    assert rate_words(name).endswith(words)


def test_the_primary_outcome_leads_and_stands_once():
    nights = night_of("a", 32), night_of("b", 40)
    names = [o.name for o in condition_of(*nights, primary_outcome="valid_hours").outcomes]
    assert names[0] == "valid_hours"
    assert names.count("valid_hours") == 1
    assert set(several.DESCRIPTIVE) == set(names)


def test_an_unknown_primary_outcome_is_refused():
    with pytest.raises(UsageError, match="'grinding' is no measure; there are episodes_per_hour"):
        condition_of(night_of("a", 32), primary_outcome="grinding")


def test_a_measure_that_the_archive_lacks_says_so():
    outcome = condition_of(night_of("a", 32)).outcomes[-2]
    assert outcome.name == "background_uv"
    assert outcome.values[0].reason == "not in the archive"
    assert outcome.no_interval == "no night has a value"
    assert outcome.mean is None


def test_nights_go_by_date_where_all_have_one():
    from datetime import date

    days = {"a": date(2026, 3, 3), "b": date(2026, 3, 1), "c": date(2026, 3, 2)}
    nights = [night_of(i, 8 * k) for k, i in enumerate(days, 1)]
    found = summarise(study_of(*((i, "none", d) for i, d in days.items())), nights)
    assert [n.id for n in found.conditions[0].nights] == ["b", "c", "a"]
    assert found.order == "by date"
    assert found.conditions[0].outcomes[0].first.id == "b"
    undated = summarise(study_of(("a", "none"), ("b", "none", days["b"]), ("c", "none")), nights)
    assert undated.conditions[0].outcomes[0].first.id == "a"
    assert "not every night has a date" in undated.order


def test_a_missing_first_night_is_not_replaced_by_the_second():
    study = study_of(("a", "none"), ("b", "none"), ("c", "splint"))
    gone = Missing("a", "none", "no archive")
    found = summarise(study, [night_of("b", 8), night_of("c", 8, condition="splint")], [gone])
    first = found.conditions[0].outcomes[0].first
    assert (first.id, first.value, first.reason) == ("a", None, "missing or left out")
    assert first.mean_of_others == 1
    assert not found.conditions[1].outcomes[0].first.first_of_study
    assert found.missing == (gone,)


# --- what is not pooled


OTHER = {
    "criterion": "aasm",
    "criterion_digest": "d2",
    "window": "recording, lights unknown",
    "channels": ("L",),
    "reference": "none",
}


@pytest.mark.parametrize("field", sorted(OTHER))
def test_a_night_on_another_basis_is_left_out_with_the_reason(field):
    odd = dataclasses.replace(BASIS, **{field: OTHER[field]})
    condition = condition_of(night_of("a", 80, basis=odd), night_of("b", 8), night_of("c", 16))
    assert [n.id for n in condition.nights] == ["b", "c"]
    assert condition.outcomes[0].mean == 1.5
    (left,) = condition.left_out
    assert left.id == "a"
    (reason,) = left.reasons
    assert field.split("_", maxsplit=1)[0] in reason
    assert condition.outcomes[0].first.reason == "missing or left out"


def test_of_two_bases_with_as_many_nights_the_first_stays():
    odd = dataclasses.replace(BASIS, window="recording, lights unknown")
    condition = condition_of(night_of("a", 80, basis=odd), night_of("b", 8))
    assert [n.id for n in condition.nights] == ["a"]
    assert condition.basis == odd
    assert [left.id for left in condition.left_out] == ["b"]


def test_a_recording_counts_once():
    condition = condition_of(night_of("a", 80, digest="x"), night_of("b", 80, digest="x"))
    assert [n.id for n in condition.nights] == ["a"]
    assert condition.left_out[0].reasons == ("the same recording as night a",)


def test_conditions_on_different_bases_are_not_comparable():
    odd = dataclasses.replace(BASIS, criterion="aasm", criterion_digest="d2", reference="none")
    study = study_of(("a", "none"), ("b", "splint"))
    nights = [night_of("a", 8), night_of("b", 8, condition="splint", basis=odd)]
    found = summarise(study, nights)
    assert [len(c.nights) for c in found.conditions] == [1, 1]
    assert len(found.not_comparable) == 2
    assert "different criteria: aasm; phasic_tonic_10mvc" in found.not_comparable[0]
    assert found.conditions[1].remarks == ("scored by aasm, while the study file names phasic_tonic_10mvc",)
    newer = dataclasses.replace(BASIS, criterion_digest="d2")
    nights[1] = night_of("b", 8, condition="splint", basis=newer)
    assert summarise(study, nights).not_comparable == (
        "the conditions have different versions of one criterion",
    )


def test_another_condition_than_at_scoring_is_remarked():
    condition = condition_of(night_of("a", 8, labelled="splint"))
    assert condition.nights[0].remarks == ("was scored as condition 'splint'",)


# --- from nights, and to JSON


def test_figures_of_a_scored_night():
    recording = recording_of([rhythm(20, 4), rhythm(20, 4)], seconds=120)
    night = score_night(recording, given(LABELS, 200.0))
    entry = StudyNight(id="n1", recording="n1.edf", condition="none")
    found = nights_module.figures(entry, night)
    assert found.basis.channels == tuple(LABELS)
    assert found.basis.window == night.window.basis
    assert found.basis.criterion_digest == night.criterion.digest()
    assert found.basis.reference == "stated levels; as given; rms; not stated; not stated"
    assert found.input_sha256 == night.swept.digest
    value = nights_module.night_value(found, "bursts_per_hour")
    assert value.count == night.measures["burst_count"].value
    assert value.exposure == night.measures["valid_hours"].value
    bare = nights_module.figures(entry, score_night(recording, criterion="aasm"))
    assert bare.basis.reference == "none"


def test_the_json_holds_the_structure_and_repeats_itself():
    study = study_of(("a", "none"), ("b", "none"), ("c", "splint"))
    nights = [night_of("a", 8), night_of("b", 24), night_of("c", 8, condition="splint")]
    text = several.several_text(summarise(study, nights, [Missing("d", "none", "gone")]))
    assert text == several.several_text(summarise(study, nights, [Missing("d", "none", "gone")]))
    found = json.loads(text)
    assert found["person"] == "P1"
    assert found["missing"] == [{"id": "d", "condition": "none", "reason": "gone"}]
    first = found["conditions"][0]
    assert first["basis"]["channels"] == ["L", "R"]
    outcome = first["outcomes"][0]
    assert outcome["mean"] == 2
    assert outcome["spread"]["sd"] == pytest.approx(math.sqrt(2))
    assert outcome["interval"]["name"] == "t_over_nights"
    assert outcome["values"][1] == {
        "id": "b",
        "value": 3.0,
        "count": 24,
        "exposure": 8.0,
        "reason": "",
    }
    assert "not a medical device" in found["purpose"]


def test_nothing_warns_on_the_edges():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert summarise(study_of(("a", "none")), []).conditions[0].outcomes == ()
        condition_of(night_of("a", 0, 0.0), night_of("b", 0, 0.0))
        condition_of(night_of("a", 0), night_of("b", 0))
