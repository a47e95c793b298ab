"""How numbers and times are printed."""

from __future__ import annotations

import math
from typing import Any


def below(value: float, limit: float) -> str:
    """A number below a limit, with as many decimals as show that it is; two at least.

    Examples
    --------
    >>> below(3.2, 4), below(3.99875, 4)
    ('3.20', '3.999')
    """
    return next(text for n in range(2, 18) if float(text := f"{value:.{n}f}") < limit)


def hours_text(hours: float | None) -> str:
    """Hours as hours and minutes, the same everywhere: rounded half up, no hours where there are none.

    Examples
    --------
    >>> hours_text(7.25), hours_text(0.8125), hours_text(None)
    ('7 h 15 min', '49 min', 'unknown')
    """
    if hours is None or math.isnan(hours):
        return "unknown"
    minutes = math.floor(hours * 60 + 0.5)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def lasting(seconds: float) -> str:
    """A length of time with as many digits as it is worth.

    Examples
    --------
    >>> lasting(0.0), lasting(0.2504), lasting(75.4), lasting(727.0), lasting(9120)
    ('0 min', '0.25 s', '75.4 s', '12 min', '2 h 32 min')
    """
    if seconds < 0.005:
        return "0 min"
    if seconds < 120:
        return f"{seconds:.3g} s"
    return hours_text(seconds / 3600)


def printed(value: Any) -> Any:
    """Every number in a nested value to the digits that are printed."""
    if isinstance(value, dict):
        return {k: printed(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [printed(v) for v in value]
    return rounded(value) if isinstance(value, float) else value


DIGITS = 10


def rounded(value: float | None) -> float | None:
    """A number to ten significant digits, so that it prints alike on every platform."""
    return None if value is None else float(f"{value:.{DIGITS}g}") + 0.0  # no -0.0
