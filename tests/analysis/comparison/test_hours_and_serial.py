"""Hours of the night, and neighbours that are alike: against statsmodels, and by hand."""

import numpy as np
import pytest
import statsmodels.api as sm

from sleepbrux.analysis.comparison import CountedNight, compare_nights
from sleepbrux.analysis.comparison.hours import common_shape, weighted_hours
from sleepbrux.analysis.comparison.ratio import arm, estimate
from sleepbrux.analysis.comparison.serial import CORRELATIONS, mixture


def rising(rng, nights, hours, mean=40.0):
    """Events by hour, whose rate rises through the night; and which hours were valid."""
    inside = np.arange(8)[None, :] < np.asarray(hours)[:, None]
    shape = np.arange(1, 9) / 36
    events = rng.poisson(mean * rng.gamma(16, 1 / 16, (nights, 1)) * shape * inside).astype(float)
    return events, inside.astype(float)


def test_without_shrinking_the_shape_is_the_poisson_model_of_nights_and_hours(monkeypatch):
    import sleepbrux.analysis.comparison.hours as module
    from sleepbrux.analysis.comparison.rules import Rule

    monkeypatch.setattr(module, "SHAPE_EVENTS", Rule("shape_events", 1e-9, ""))
    monkeypatch.setattr(module, "ROUNDS", 500)
    events, hours = rising(np.random.default_rng(2), 8, [8, 8, 8, 7, 6, 8, 5, 8])
    night, hour = (v.ravel() for v in np.indices(events.shape))
    some = hours.ravel() > 0
    x = np.column_stack([*(night == k for k in range(8)), *(hour == k for k in range(1, 8))]).astype(float)
    fit = sm.GLM(events.ravel()[some], x[some], family=sm.families.Poisson()).fit()
    shape = common_shape(events, hours)
    assert np.log(shape[1:] / shape[0]) == pytest.approx(fit.params[8:], abs=1e-4)


def test_a_flat_night_leaves_valid_hours_as_they_are():
    events, hours = np.full((6, 7), 1000.0), np.ones((6, 7))
    assert weighted_hours(events, hours) == pytest.approx(np.full(6, 7.0))


def test_weighted_hours_keep_their_sum_and_labels_do_not_enter():
    events, hours = rising(np.random.default_rng(3), 10, [8, 5] * 5)
    weighted = weighted_hours(events, hours)
    assert weighted.sum() == pytest.approx(hours.sum())
    assert weighted[0] / weighted[1] > 1.8  # 8 h against 5 h: the late hours count more
    again = weighted_hours(events[::-1], hours[::-1])
    assert again[::-1] == pytest.approx(weighted)


def test_short_nights_are_compared_with_the_same_hours_of_long_ones():
    rng = np.random.default_rng(4)
    nights = []
    for k in range(24):
        worn = k % 2 == 1
        (events,), (hours,) = rising(rng, 1, [5 if worn else 8], mean=80)
        nights.append(
            CountedNight(
                f"n{k}",
                "splint" if worn else "none",
                float(events.sum()),
                float(hours.sum()),
                by_hour=tuple(zip(events.tolist(), hours.tolist(), strict=True)),
            )
        )
    found = compare_nights(nights, order="randomised nights", keep_first_night=True)
    (contrast,) = found.contrasts
    assert contrast.by_valid_hours < 0.8  # what is not so
    assert contrast.ratio.low < 1 < contrast.ratio.high
    assert contrast.ratio.ratio == pytest.approx(1, abs=0.15)
    assert len(found.shape) == 8
    assert found.shape[-1] > 2 * found.shape[0]
    assert "hours-unlike" in {n.code for n in found.cautions}


def test_where_one_nights_hours_are_not_known_valid_hours_alone_are_taken():
    nights = [
        CountedNight(f"n{k}", "ab"[k % 2], 10, 7.0, by_hour=((5, 3.5), (5, 3.5)) if k else ())
        for k in range(10)
    ]
    found = compare_nights(nights, baseline="a", keep_first_night=True)
    assert found.shape == ()
    assert found.contrasts[0].by_valid_hours is None


def test_without_correlation_the_mixture_is_the_pooled_t_interval(monkeypatch):
    import sleepbrux.analysis.comparison.serial as module

    monkeypatch.setattr(module, "CORRELATIONS", np.array([0.0]))
    y = np.array([[40, 35, 45, 50, 20, 25, 22, 30.0]])
    h, labels = np.full(y.shape, 7.0), np.arange(8) >= 4
    found = mixture(y, h, labels, np.arange(8))
    z = np.concatenate([y[0, m] / y[0, m].mean() - 1 for m in (~labels, labels)])
    se = np.sqrt((z @ z) / 6 * (1 / 4 + 1 / 4))
    low, high = found.limits()
    assert float(low[0] + high[0]) / 2 == pytest.approx(np.log(97 / 170), abs=1e-6)
    assert float(high[0] - low[0]) == pytest.approx(2 * 2.4469 * se, rel=1e-3)


@pytest.mark.shows("outside-compare")
@pytest.mark.parametrize("rho", [0.3, 0.6])
def test_at_each_correlation_the_fit_is_generalised_least_squares_of_statsmodels(monkeypatch, rho):
    import sleepbrux.analysis.comparison.serial as module

    monkeypatch.setattr(module, "CORRELATIONS", np.array([rho]))
    y = np.array([[40, 35, 45, 50, 20, 25, 22, 30.0]])
    labels = np.arange(8) >= 4
    when = np.array([0, 1, 2, 5, 6, 7, 9, 10.0])
    found = mixture(y, np.full(y.shape, 7.0), labels, when)
    z = np.empty(8)
    for m in (labels, ~labels):
        z[m] = np.log(y[0, m].mean() / 7) + y[0, m] / y[0, m].mean() - 1
    sigma = rho ** np.abs(np.subtract.outer(when, when))
    fit = sm.GLS(z, sm.add_constant(labels.astype(float)), sigma=sigma).fit()
    assert float(found.middles[0, 0]) == pytest.approx(fit.params[1])
    assert float(found.scales[0, 0]) == pytest.approx(fit.bse[1])


def test_alternating_nights_need_no_wider_interval_and_phases_do():
    rng = np.random.default_rng(5)
    y = rng.poisson(30, (1, 14)).astype(float)
    h = np.full(y.shape, 7.0)
    phases, turn = np.arange(14) >= 7, np.arange(14) % 2 == 1
    wide, narrow = (
        np.subtract(*mixture(y, h, m, np.arange(14)).limits()[::-1]).item() for m in (phases, turn)
    )
    assert wide > 1.3 * narrow
    assert CORRELATIONS[0] == 0
    plain = estimate(arm(y[:, phases], h[:, phases]), arm(y[:, ~phases], h[:, ~phases])).limits()
    assert wide > float(plain[1][0] - plain[0][0])
