"""The sentence rules, one by one, at their borders; what is named beside them."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from sleepbrux.compare import CountedNight, compare_nights, rate_ratio
from sleepbrux.compare.sentences import sentence_of, verdict_of
from sleepbrux.errors import UsageError

FOUND = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4, condition="splint",
                   against="none")  # fmt: skip


def night_list(*parts, start=date(2026, 3, 1), hours=7.0, **more):
    """Nights in order from (condition, events, events, ...)."""
    flat = [(c, e) for c, *events in parts for e in events]
    return [
        CountedNight(f"n{k}", c, e, hours, start + timedelta(days=k), **more)
        for k, (c, e) in enumerate(flat)
    ]


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({"low": 0.4, "high": 0.99, "p_holm": 0.02}, "lower"),
        ({"low": 0.4, "high": 0.99, "p_holm": 0.026}, "cannot tell yet"),
        ({"low": 0.4, "high": 1.01, "p_holm": 0.02}, "cannot tell yet"),
        ({"low": 1.01, "high": 3.0, "p_holm": 0.02}, "higher"),
        ({"low": 0.75, "high": 1.33, "p_holm": 0.9}, "no change larger than a quarter"),
        ({"low": 0.74, "high": 1.33, "p_holm": 0.9}, "cannot tell yet"),
        ({"low": 0.76, "high": 0.99, "p_holm": 0.04}, "no change larger than a quarter"),
        ({"low": 0.76, "high": 0.99, "p_holm": 0.02}, "lower"),
        ({"low": 0.1, "high": 0.2, "p_holm": 0.001, "nights": 3}, "cannot tell yet"),
        ({"low": 5.0, "high": 9.0, "p_holm": 0.001, "nights_against": 3}, "cannot tell yet"),
        ({"low": 0.9, "high": 1.1, "p_holm": 0.9, "nights": 3}, "cannot tell yet"),
    ],
)
def test_verdicts(change, verdict):
    assert verdict_of(replace(FOUND, **change)) == verdict


def test_cause_is_named_only_where_the_order_was_drawn():
    for order in ("as it came", "planned phases"):
        text = sentence_of(FOUND, "lower", "episodes per valid hour", order, contrasts=1)
        assert "On nights with splint the rate (episodes per valid hour) was 0.57 times" in text
        assert "this does not say why" in text
        assert not any(word in text for word in ("reduce", "because of", "put down to"))
    drawn = sentence_of(FOUND, "lower", "episodes per valid hour", "randomised nights", contrasts=1)
    assert "put down to what was worn" in drawn


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
    found = compare_nights(
        night_list(("none", 50, 52, 51), ("splint", 5, 4, 6)), keep_first_night=True
    )
    (contrast,) = found.contrasts
    assert contrast.ratio.high < 0.2
    assert contrast.verdict == "cannot tell yet"
    assert "fewer than 4 nights" in contrast.sentence


def test_cannot_tell_says_how_many_nights_would():
    found = compare_nights(night_list(("none", 44, 40, 20, 60, 30), ("splint", 35, 15, 50, 20)))
    assert "fall by half from about" in found.contrasts[0].sentence


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


def test_three_conditions_give_three_contrasts_under_holm():
    found = compare_nights(
        night_list(("none", 9, 40, 35, 45, 50), ("a", 20, 25, 22, 30), ("b", 28, 35, 30, 33))
    )
    assert [(c.condition, c.against) for c in found.contrasts] == [
        ("a", "none"), ("b", "none"), ("b", "a"),
    ]  # fmt: skip
    assert all(c.ratio.p_holm >= c.ratio.p for c in found.contrasts)
    assert min(c.ratio.p for c in found.contrasts) * 3 == pytest.approx(
        min(c.ratio.p_holm for c in found.contrasts)
    )


def test_phases_name_order_regression_early_response_and_time():
    found = compare_nights(night_list(("none", 9, 40, 35, 45, 50), ("splint", 20, 25, 22, 30)),
                           order="planned phases")  # fmt: skip
    codes = {n.code for n in found.cautions}
    assert codes >= {"order-not-drawn", "regression-to-the-mean", "early-response",
                     "time-and-condition", "habituation"}  # fmt: skip


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


def test_a_trend_is_warned_of():
    flat = [("none", 20), ("splint", 20)] * 6
    nights = night_list(*((c, e + 4 * k) for k, (c, e) in enumerate(flat)))
    assert "trend" in {n.code for n in compare_nights(nights).cautions}


def test_one_condition_is_no_comparison():
    with pytest.raises(UsageError, match="only 'none'"):
        compare_nights(night_list(("none", 4, 5, 6)))
