"""Many persons with and without an appliance."""

from sleepbrux.analysis.cohort.core import compare_cohort
from sleepbrux.analysis.cohort.crossover import crossover
from sleepbrux.analysis.cohort.model import Cohort, Effect, Method, PersonNight, PersonRatio
from sleepbrux.analysis.cohort.ratios import log_ratios
from sleepbrux.analysis.cohort.repeatability import (
    icc_one_way,
    nested_limits,
    nights_for_reliability,
    spearman_brown,
)
from sleepbrux.analysis.cohort.table import cohort_text, read_cohort

__all__ = [
    "Cohort",
    "Effect",
    "Method",
    "PersonNight",
    "PersonRatio",
    "cohort_text",
    "compare_cohort",
    "crossover",
    "icc_one_way",
    "log_ratios",
    "nested_limits",
    "nights_for_reliability",
    "read_cohort",
    "spearman_brown",
]
