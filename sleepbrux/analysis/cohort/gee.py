"""A Poisson model over all nights with persons as clusters; statsmodels fits it."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np

from sleepbrux.analysis.cohort.model import Effect, PersonNight
from sleepbrux.analysis.cohort.ratios import effect_of
from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.core.errors import UsageError


def _design(nights: Sequence[PersonNight], conditions: Sequence[str]) -> tuple[Floats, list[str]]:
    """Columns of the model: level, conditions, and of a crossover period and sequence."""
    columns = [np.ones(len(nights))]
    names = [""]
    for condition in conditions:
        columns.append(np.array([n.condition == condition for n in nights], dtype=float))
        names.append(condition)
    for field in ("period", "sequence"):
        values = [getattr(n, field) for n in nights]
        for level in sorted(set(values))[1:] if all(values) else ():
            columns.append(np.array([v == level for v in values], dtype=float))
            names.append(f"{field} {level}")
    return np.column_stack(columns), names


def by_gee(nights: Sequence[PersonNight], conditions: Sequence[str], baseline: str) -> list[Effect]:
    """GEE: Poisson, log link, log hours as offset, persons as clusters, exchangeable.

    Covariance after Mancl & DeRouen 2001 (Biometrics 57:126-134), t with persons less parameters. Empty
    where it does not converge.

    Raises
    ------
    UsageError
        Columns that cannot be told apart, or the extra ``gee`` is not installed.
    """
    try:
        import statsmodels.api as sm
    except ImportError as error:
        raise UsageError(
            "the method GEE needs statsmodels, which is not installed; add it with: pip install 'sleepbrux[gee]'"
        ) from error

    used = [n for n in nights if n.hours > 0]
    x, names = _design(used, conditions)
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise UsageError(
            "condition, period and sequence cannot be separated in this table: leave out the column "
            "period or sequence"
        )
    y = np.array([n.events for n in used])
    persons = np.array([n.person for n in used])
    order = np.argsort(persons, kind="stable")
    model = sm.GEE(
        y[order],
        x[order],
        groups=persons[order],
        family=sm.families.Poisson(),
        cov_struct=sm.cov_struct.Exchangeable(),
        offset=np.log([used[i].hours for i in order]),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(cov_type="bias_reduced", maxiter=200)
    df = len(set(persons)) - x.shape[1]
    silent = any(y[x[:, k] > 0].sum() == 0 for k in range(x.shape[1]))
    if df < 1 or silent or not fit.converged or not np.isfinite([*fit.params, *fit.bse]).all():
        return []
    effects = []
    for k, name in enumerate(names):
        if name:
            term = f"{name} / {baseline}" if name in conditions else name
            effects.append(effect_of(term, float(fit.params[k]), float(fit.bse[k]), df))
    return effects
