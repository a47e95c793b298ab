"""Published scoring criteria as data: one rule file each, with the source of every value."""

from sleepbrux.criteria.loading import (
    DEFAULT_ID,
    DEFAULT_WITHOUT_MVC_ID,
    criterion_ids,
    criterion_of,
    from_text,
    load_criterion,
)
from sleepbrux.criteria.model import SECTIONS, Criterion, exact, from_table

__all__ = [
    "DEFAULT_ID",
    "DEFAULT_WITHOUT_MVC_ID",
    "SECTIONS",
    "Criterion",
    "criterion_ids",
    "criterion_of",
    "exact",
    "from_table",
    "from_text",
    "load_criterion",
]
