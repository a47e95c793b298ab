"""Nights by condition: side by side, and whether they differ by more than nights vary anyway."""

from sleepbrux.analysis.comparison.contrasts import compare_nights
from sleepbrux.analysis.comparison.model import Apart, Comparison, Contrast, CountedNight
from sleepbrux.analysis.comparison.ratio import RateRatio, holm, rate_ratio
from sleepbrux.analysis.comparison.rearrange import Rearrangement, rearrangement_test
from sleepbrux.analysis.comparison.rows import (
    ConditionRow,
    NightRow,
    by_condition,
    mixed_bases,
    night_row,
)
from sleepbrux.analysis.comparison.rules import RULES, Rule
from sleepbrux.analysis.comparison.trend import Trend, trend_over_nights

__all__ = [
    "RULES",
    "Apart",
    "Comparison",
    "ConditionRow",
    "Contrast",
    "CountedNight",
    "NightRow",
    "RateRatio",
    "Rearrangement",
    "Rule",
    "Trend",
    "by_condition",
    "compare_nights",
    "holm",
    "mixed_bases",
    "night_row",
    "rate_ratio",
    "rearrangement_test",
    "trend_over_nights",
]
