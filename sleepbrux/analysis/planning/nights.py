"""How far a person's nights vary, and nights that vary so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sleepbrux.analysis.comparison.model import CountedNight
from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.core.arguments import NONE, NUMBER, TEXT, check, each, of
from sleepbrux.core.errors import UsageError

RANGE_LEVEL = 0.8


@dataclass(frozen=True)
class Variation:
    """How far a person's nights differ beyond counting.

    Attributes
    ----------
    cv_pct
        SD of the true rate from night to night over its mean, in %; Poisson variation comes on top.
    source
        Where it comes from.
    low_pct, high_pct
        Range of 80 % where it was estimated from nights; None where it was stated.

    Examples
    --------
    >>> from sleepbrux import Variation
    >>> Variation(35.0, "our own pilot").cv_pct
    35.0
    """

    cv_pct: float
    source: str
    low_pct: float | None = None
    high_pct: float | None = None

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            cv_pct=(self.cv_pct, NUMBER),
            source=(self.source, TEXT),
            low_pct=(self.low_pct, NONE | NUMBER),
            high_pct=(self.high_pct, NONE | NUMBER),
        )


PUBLISHED: dict[str, Variation] = {
    "lavigne2001 episodes": Variation(
        25.3,
        "Lavigne 2001: 9 persons, moderate to severe, 37 nights, first night dropped; episodes/h",
    ),
    "lavigne2001 bursts": Variation(
        30.4,
        "Lavigne 2001: 9 persons, moderate to severe, 37 nights, first night dropped; bursts/h",
    ),
    "miettinen2018 episodes": Variation(
        50.7, "Miettinen 2018: 16 persons, mostly mild, 3 nights at home; episodes/h"
    ),
}


def extra_cv_pct(total_cv_pct: float, events_per_night: float) -> float:
    """CV of the true rate where a total CV was published: Poisson variation taken out, never below 0.

    Examples
    --------
    >>> round(extra_cv_pct(50.7, 14.0), 1), extra_cv_pct(25.3, 14.0)
    (43.1, 0.0)
    """
    return float(100 * np.sqrt(max((total_cv_pct / 100) ** 2 - 1 / events_per_night, 0.0)))


def own_variation(nights: Sequence[CountedNight]) -> Variation:
    """Extra-Poisson CV of a person's nights within conditions, by the method of moments.

    Parameters
    ----------
    nights
        Counted nights of one person.

    Returns
    -------
    Variation

    Raises
    ------
    UsageError
        Fewer than three nights more than conditions.

    Examples
    --------
    >>> from sleepbrux import CountedNight, own_variation
    >>> counts = (40, 60, 30, 80, 45)
    >>> own_variation([CountedNight(f"n{k}", "none", n, 7.0) for k, n in enumerate(counts)]).cv_pct > 0
    True
    """
    check(nights=(nights, each(of(CountedNight), "a list of CountedNight")))
    from scipy.special import chdtri

    names = list(dict.fromkeys(n.condition for n in nights))
    over, counting, df = 0.0, 0.0, 0
    for name in names:
        group = [n for n in nights if n.condition == name and n.hours > 0]
        y, h = (np.array([getattr(n, k) for n in group]) for k in ("events", "exposure"))
        if len(y) < 2 or y.sum() == 0:
            continue
        expected = y.sum() / h.sum() * h
        over += float((((y - expected) ** 2 - expected) / expected**2).sum())
        over += float((1 / expected).mean())  # the fitted mean takes one of n
        counting += float((1 / expected).mean()) * (len(y) - 1)
        df += len(y) - 1
    if df < 3:
        raise UsageError(
            "a person's own variation needs at least three nights more than conditions; name a published "
            "one instead"
        )
    total, noise, tail = max(over + counting, 0.0), counting / df, (1 - RANGE_LEVEL) / 2
    # the squared spread of nights as a multiple of chi-squared; Poisson variation taken out afterwards
    low, high = (100 * float(np.sqrt(max(total / chdtri(df, at) - noise, 0.0))) for at in (tail, 1 - tail))
    cv = 100 * float(np.sqrt(max(over / df, 0.0)))
    return Variation(cv, f"this person's {len(nights)} nights, Poisson variation taken out", low, high)


def simulate_nights(rng: np.random.Generator, runs: int, nights: int, events: float, cv_pct: float) -> Floats:
    """Counts of nights, runs x nights: true rates spread, then Poisson counts.

    Which shape the spread has is not known, so half of the runs take gamma and half log-normal rates;
    with gamma alone the chance of telling would come out up to 6 points lower (CV 80 %).
    """
    if cv_pct <= 0:
        return rng.poisson(events, (runs, nights)).astype(np.float64)
    variance = (cv_pct / 100) ** 2
    half = runs // 2
    gamma = rng.gamma(1 / variance, variance, (half, nights))
    log = np.log1p(variance)
    normal = np.exp(rng.normal(-log / 2, np.sqrt(log), (runs - half, nights)))
    rates = events * np.concatenate((gamma, normal))
    return rng.poisson(rates).astype(np.float64)


def rates_alike(
    rng: np.random.Generator, shape: tuple[int, int], cv_pct: float, correlation: float
) -> Floats:
    """True rates of nights that follow each other, mean 1, runs x nights: neighbours are alike (AR 1).

    Gamma in half of the runs and log-normal in the others, as `simulate_nights`; the correlation is that of
    the normal values behind them, about that of the logarithms.
    """
    from scipy.special import gammaincinv, ndtr

    if cv_pct <= 0:
        return np.ones(shape)
    z = rng.normal(size=shape)
    for k in range(1, shape[1]):
        z[:, k] = correlation * z[:, k - 1] + np.sqrt(1 - correlation**2) * z[:, k]
    variance, half = (cv_pct / 100) ** 2, shape[0] // 2
    log = np.log1p(variance)
    gamma = variance * gammaincinv(1 / variance, ndtr(z[:half]))
    return np.concatenate((gamma, np.exp(np.sqrt(log) * z[half:] - log / 2)))
