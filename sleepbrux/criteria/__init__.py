"""Published scoring criteria as data: one rule file each, with the source of every value."""

from sleepbrux.criteria.loading import (
    CHIN_ID,
    DEFAULT_ID,
    DEFAULT_WITHOUT_MVC_ID,
    criterion_ids,
    criterion_of,
    from_text,
    load_criterion,
)
from sleepbrux.criteria.model import SECTIONS, Criterion, Muscle, exact, from_table

__all__ = [
    "CHIN_ID",
    "DEFAULT_ID",
    "DEFAULT_WITHOUT_MVC_ID",
    "SECTIONS",
    "Criterion",
    "Muscle",
    "criterion_ids",
    "criterion_of",
    "exact",
    "from_table",
    "from_text",
    "load_criterion",
]
