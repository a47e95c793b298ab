"""The sentence rules, one by one, at their borders; what is named beside them."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from sleepbrux.analysis.comparison import (
    CountedNight,
    compare_nights,
    rate_ratio,
    rearrangement_test,
)
from sleepbrux.analysis.comparison.rules import LOOKS_P
from sleepbrux.analysis.comparison.sentences import ALIKE, sentence_of, verdict_of, why_not_yet
from sleepbrux.core.errors import UsageError

FOUND = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4, condition="splint", against="none")


def night_list(*parts, start=date(2026, 3, 1), hours=7.0, **more):
    """Nights in order from (condition, events, events, ...)."""
    flat = [(c, e) for c, *events in parts for e in events]
    return [
        CountedNight(f"n{k}", c, e, hours, start + timedelta(days=k), **more) for k, (c, e) in enumerate(flat)
    ]


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({"low": 0.4, "high": 0.99, "p_holm": 0.05}, "lower"),
        ({"low": 0.4, "high": 0.99, "p_holm": 0.051}, "cannot tell yet"),
        ({"low": 0.4, "high": 1.01, "p_holm": 0.02}, "cannot tell yet"),
        ({"low": 1.01, "high": 3.0, "p_holm": 0.02}, "higher"),
        ({"low": 0.75, "high": 1.4, "p_holm": 0.9, "p_equal_holm": 0.05}, ALIKE),
        ({"low": 0.76, "high": 1.3, "p_holm": 0.9, "p_equal_holm": 0.051}, "cannot tell yet"),
        ({"low": 0.76, "high": 0.99, "p_holm": 0.06, "p_equal_holm": 0.01}, ALIKE),
        ({"low": 0.76, "high": 0.99, "p_holm": 0.02, "p_equal_holm": 0.01}, "lower"),
        ({"low": 0.1, "high": 0.2, "p_holm": 0.001, "nights": 3}, "cannot tell yet"),
        ({"low": 5.0, "high": 9.0, "p_holm": 0.001, "nights_against": 3}, "cannot tell yet"),
        ({"p_holm": 0.9, "p_equal_holm": 0.001, "nights": 3}, "cannot tell yet"),
    ],
)
def test_verdicts(change, verdict):
    assert verdict_of(replace(FOUND, **change)) == verdict


def test_a_contrast_that_is_described_has_no_verdict():
    found = replace(FOUND, p_holm=0.0001)
    assert verdict_of(found, tested=False) == "described, not tested"
    text = sentence_of(found, "described, not tested", "episodes per valid hour", "as it came")
    assert "the comparisons with the baseline come first" in text


def test_a_stricter_bound_belongs_to_looks_set_beforehand():
    found = replace(FOUND, p_holm=0.03)
    assert verdict_of(found) == "lower"
    assert verdict_of(found, bound=LOOKS_P.value) == "cannot tell yet"


def test_the_margins_are_named_as_they_are():
    text = sentence_of(FOUND, ALIKE, "episodes per valid hour", "randomised nights")
    assert text.endswith("no more than a quarter less or a third more (0.75 to 1.33).")


TEST = rearrangement_test(
    [20, 25, 22, 30, 40, 35, 45, 50], [7] * 8, [True] * 4 + [False] * 4, "randomised nights"
)


def test_cause_is_named_only_where_the_order_was_drawn_and_its_own_test_says_so():
    for order in ("as it came", "planned phases"):
        text = sentence_of(FOUND, "lower", "episodes per valid hour", order, test=TEST)
        assert "On nights with splint the rate (episodes per valid hour) was 0.57 times" in text
        assert "this does not say why" in text
        assert not any(word in text for word in ("reduce", "because of", "put down to"))
    drawn = sentence_of(FOUND, "lower", "episodes per valid hour", "randomised nights", test=TEST)
    assert "put down to what was worn" in drawn
    for test in (None, replace(TEST, p=0.06)):
        text = sentence_of(FOUND, "lower", "episodes per valid hour", "randomised nights", test=test)
        assert "put down to" not in text


def test_five_blocks_cannot_tell_whatever_they_show_and_say_so():
    nights = [
        CountedNight(f"n{b}{c}", c, e, 7.0, block=b)
        for b in range(4)
        for c, e in (("none", 60 + b), ("splint", 6 + b))
    ]
    found = compare_nights(nights, order="randomised blocks", keep_first_night=True)
    (contrast,) = found.contrasts
    assert contrast.ratio.high < 0.2
    assert contrast.rearrangement.p == pytest.approx(2 / 16)
    assert contrast.verdict == "cannot tell yet"
    assert "cannot come below 0.125" in contrast.sentence
    assert "put down to" not in contrast.sentence


def test_phases_show_the_interval_for_neighbours_that_are_alike_and_rest_on_both():
    nights = night_list(("none", 9, 40, 50, 45, 50, 38, 44), ("splint", 33, 31, 30, 28, 30, 33))
    drawn = compare_nights(nights, order="randomised nights").contrasts[0]
    phases = compare_nights(nights, order="planned phases").contrasts[0]
    assert drawn.verdict == "lower"
    assert drawn.serial is None
    assert phases.serial.low <= phases.ratio.low
    assert phases.serial.high >= phases.ratio.high
    assert f"{phases.serial.high:.2f} if neighbouring nights may be alike" in phases.sentence
    wide = replace(phases.serial, low=0.4, high=1.2)
    told = replace(phases.ratio, p_holm=0.001)
    assert verdict_of(told, serial=wide) == "cannot tell yet"
    assert "if neighbouring nights may be alike, the true rate" in why_not_yet(told, serial=wide)


def test_where_the_order_was_not_drawn_the_p_of_t_counts_twice():
    nights = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    r = compare_nights(nights, order="as it came").contrasts[0].ratio
    assert r.p_verdict >= 2 * r.p - 1e-12


def test_skewed_nights_have_the_wider_of_two_intervals():
    even = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    skewed = night_list(("none", 9, 0, 0, 90, 2, 0), ("splint", 0, 0, 4, 0, 30))
    assert compare_nights(even).contrasts[0].ratio.interval == "t"
    found = compare_nights(skewed, order="randomised nights").contrasts[0].ratio
    plain = rate_ratio([0, 0, 4, 0, 30], [7] * 5, [0, 0, 90, 2, 0], [7] * 5)
    assert found.interval == "wider of t and rearrangement"
    assert found.low <= plain.low
    assert found.high >= plain.high


@pytest.mark.shows("chance-as-effect")
def test_one_night_against_one_gives_numbers_and_no_effect():
    found = compare_nights(night_list(("none", 40), ("splint", 12)), keep_first_night=True)
    (contrast,) = found.contrasts
    assert contrast.ratio is None
    assert contrast.verdict == "cannot tell yet"
    assert "1.71" in contrast.sentence
    assert "5.71" in contrast.sentence
    assert "one night cannot show" in contrast.sentence
    assert "times" not in contrast.sentence


def test_three_and_three_is_too_few_however_large_the_difference():
    found = compare_nights(night_list(("none", 50, 52, 51), ("splint", 5, 4, 6)), keep_first_night=True)
    (contrast,) = found.contrasts
    assert contrast.ratio.high < 0.2
    assert contrast.verdict == "cannot tell yet"
    assert "fewer than 4 nights" in contrast.sentence


def test_the_first_night_stands_apart_and_its_weight_is_shown():
    nights = night_list(("none", 5, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    found = compare_nights(nights)
    assert [a.night.id for a in found.apart] == ["n0"]
    assert len(found.nights) == 8
    (contrast,) = found.contrasts
    assert contrast.ratio.nights_against == 4
    assert contrast.with_first_night.nights_against == 5
    assert compare_nights(nights, keep_first_night=True).apart == ()


def test_partly_worn_nights_and_nights_without_time_stand_apart():
    nights = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    nights[6] = replace(nights[6], fully_worn=False)
    nights[7] = replace(nights[7], hours=0.0)
    found = compare_nights(nights)
    assert {a.night.id for a in found.apart} == {"n0", "n6", "n7"}
    assert any("part of the night" in a.reason for a in found.apart)


def test_of_three_conditions_the_two_with_the_baseline_are_under_holm_and_the_rest_is_described():
    found = compare_nights(
        night_list(("none", 9, 40, 35, 45, 50), ("a", 20, 25, 22, 30), ("b", 28, 35, 30, 33))
    )
    assert [(c.condition, c.against) for c in found.contrasts] == [
        ("a", "none"),
        ("b", "none"),
        ("b", "a"),
    ]
    tested, rest = found.contrasts[:2], found.contrasts[2]
    assert min(c.ratio.p_verdict for c in tested) * 2 == pytest.approx(min(c.ratio.p_holm for c in tested))
    assert rest.verdict == "described, not tested"
    assert rest.ratio.p_holm == rest.ratio.p_verdict


def test_phases_name_order_regression_early_response_and_time():
    found = compare_nights(
        night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30)), order="planned phases"
    )
    codes = {n.code for n in found.cautions}
    assert codes >= {
        "order-not-drawn",
        "regression-to-the-mean",
        "early-response",
        "time-and-condition",
        "habituation",
    }


def test_what_each_design_cannot_show_is_named():
    nights = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    drawn = {n.code for n in compare_nights(nights, order="randomised nights").cautions}
    phases = {n.code for n in compare_nights(nights, order="planned phases").cautions}
    assert "carry-over" in drawn
    assert "independent-nights" in drawn
    assert "neighbouring-nights" in phases
    assert "time-and-condition" in phases


def test_fourteen_days_are_not_early():
    nights = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    worn = [replace(n, days_since_first_worn=13) if n.condition == "splint" else n for n in nights]
    assert "early-response" in {n.code for n in compare_nights(worn).cautions}
    worn[-1] = replace(worn[-1], days_since_first_worn=14)
    assert "early-response" not in {n.code for n in compare_nights(worn).cautions}


def test_blocks_missing_from_the_file_are_said():
    nights = night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30))
    found = compare_nights(nights, order="randomised blocks")
    assert found.order == "as it came"
    assert "blocks-missing" in {n.code for n in found.cautions}


def test_seven_against_three_is_warned_of_and_has_no_verdict():
    found = compare_nights(
        night_list(("none", 40, 35, 45, 50, 38, 42, 41), ("splint", 10, 9, 11)),
        keep_first_night=True,
    )
    assert found.contrasts[0].verdict == "cannot tell yet"
    assert "unequal-numbers" in {n.code for n in found.cautions}


@pytest.mark.parametrize(
    ("none", "splint", "order", "warned"),
    [
        ((40, 42, 41, 39, 40, 44), (18, 20, 30, 15, 25, 9), "randomised nights", True),
        # the lower condition varies less: its mean is none that a few nights make low
        ((60, 42, 81, 39, 50, 44), (15, 17, 16, 14, 15, 16), "randomised nights", False),
        ((40, 42, 51, 30, 40, 44), (18, 20, 21, 15, 23, 19), "randomised nights", False),
        ((40, 42, 41, 39, 40, 44), (18, 20, 30, 15, 25, 9), "planned phases", False),
        # nothing is told
        ((40, 42, 41, 39, 40, 44), (30, 60, 30, 15, 70, 9), "randomised nights", False),
    ],
)
def test_a_lower_condition_that_varies_more_is_warned_of_where_the_order_was_drawn(
    none, splint, order, warned
):
    nights = night_list(("none", 9, *none), ("splint", *splint))
    codes = {n.code for n in compare_nights(nights, order=order).cautions}
    assert ("unlike-spreads" in codes) == warned
    assert ("spreads-assumed" in codes) == (order == "randomised nights")


@pytest.mark.parametrize(("order", "times"), [("randomised nights", 1.5), ("randomised blocks", 1.5)])
def test_p_counts_more_where_the_lower_condition_varies_more(order, times):
    nights = night_list(("none", 9, 40, 42, 41, 39, 40, 44), ("splint", 18, 20, 30, 15, 25, 9))
    nights = [replace(n, block=k % 7) for k, n in enumerate(nights)]
    (one,) = compare_nights(nights, order=order).contrasts
    assert one.ratio.p_verdict == pytest.approx(times * max(one.ratio.p, one.rearrangement.p))
    alike = night_list(("none", 9, 40, 42, 51, 30, 40, 44), ("splint", 18, 20, 21, 15, 23, 19))
    alike = [replace(n, block=k % 7) for k, n in enumerate(alike)]
    (other,) = compare_nights(alike, order=order).contrasts
    assert other.ratio.p_verdict == max(other.ratio.p, other.rearrangement.p)


def test_where_p_counts_more_and_is_then_too_large_the_sentence_says_so():
    nights = night_list(("none", 40, 42, 41, 39, 40, 44), ("splint", 27, 38, 30, 20, 34, 38))
    (one,) = compare_nights(nights, order="randomised nights", keep_first_night=True).contrasts
    assert max(one.ratio.p, one.rearrangement.p) <= 0.05 < one.ratio.p_verdict
    assert one.verdict == "cannot tell yet"
    assert "the nights of the lower condition vary more, so p counts 1.5 times" in one.sentence


def test_a_trend_is_warned_of():
    flat = [("none", 20), ("splint", 20)] * 6
    nights = night_list(*((c, e + 4 * k) for k, (c, e) in enumerate(flat)))
    assert "trend" in {n.code for n in compare_nights(nights).cautions}


def test_one_condition_is_no_comparison():
    with pytest.raises(UsageError, match="only 'none'"):
        compare_nights(night_list(("none", 4, 5, 6)))
