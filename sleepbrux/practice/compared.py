"""The comparison that was written last: whether it is still that of the study, and its order of conditions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec import Struct

from sleepbrux.archive.file_sets import set_doubts
from sleepbrux.archive.made_of import clench_mark, marks_in
from sleepbrux.practice.nights import NightRow, mark_of
from sleepbrux.study.editing import conditions_of
from sleepbrux.study.file import FILL_IN, Study, in_order

WRITTEN, PAGE = "study.comparison.json", "study.report.html"


class _Night(Struct, frozen=True):
    id: str
    condition: str


class _Apart(Struct, frozen=True):
    night: _Night


class _Conditions(Struct, frozen=True):
    order: str
    baseline: str
    conditions: tuple[str, ...]
    nights: tuple[_Night, ...] = ()
    apart: tuple[_Apart, ...] = ()


class Written(Struct, frozen=True):
    """What is read of the comparison's JSON file."""

    person: str
    primary_outcome: str
    criterion: str
    comparison: _Conditions


def written_in(results: Path) -> Written | None:
    """The comparison that was written last; None without one that can be read."""
    try:
        return msgspec.json.decode((results / WRITTEN).read_bytes(), type=Written)
    except (OSError, msgspec.MsgspecError):
        return None


def outdated(study: Study, rows: Sequence[NightRow], results: Path) -> str:
    """Why the comparison that was written last is not that of the study any more; empty where it is.

    Its page has to be there too, and made of the scorings, decisions and clench tests as they are.
    """
    written, page = written_in(results), results / PAGE
    if written is None or not page.is_file():
        return "the conditions are not compared yet"
    made_of = marks_in(page)
    if not made_of:
        return "the comparison was written by an earlier version of this program"
    if made_of[0] != mark_of(rows):
        return "nights were scored or decided on since the conditions were compared"
    if made_of[1:] != (clench_mark(results),):
        return "clenches were compared since the conditions were, and the page shows both"
    own = written.comparison
    said = (written.person, written.primary_outcome, written.criterion, own.order)
    now = (study.pseudonym, study.primary_outcome, study.criterion, study.order)
    based = study.baseline if study.baseline in own.conditions else own.baseline
    worn = {row.id: row.condition for row in rows}
    nights = (*own.nights, *(apart.night for apart in own.apart))
    if said != now or own.baseline != based or any(worn.get(n.id) != n.condition for n in nights):
        return "the study file was changed since the conditions were compared"
    return set_doubts(page)


def shown_conditions(study: Study, results: Path) -> tuple[str, ...]:
    """Conditions in the order of their signs: that of the comparison's page, so that both draw the same.

    Before there is one, the order that it will have: the baseline, then as the nights follow each other.
    """
    written = written_in(results)
    nights = (*in_order(study)[0], *study.night)
    first = dict.fromkeys(n.condition for n in nights if n.condition == study.baseline)
    names = dict.fromkeys(
        (*(written.comparison.conditions if written else ()), *first, *(n.condition for n in nights))
    )
    used = conditions_of(study)
    return tuple(dict.fromkeys(name for name in (*names, *used) if name in used and name != FILL_IN))
