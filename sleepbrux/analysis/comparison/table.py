"""A folder of archives with a table of nights, read as a study."""

from __future__ import annotations

from itertools import zip_longest
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import read_cells
from sleepbrux.core.texts import plain_name, unseen_in_name
from sleepbrux.study.file import NO_APPLIANCE, Order, Study, StudyNight

NEEDED = ("night", "condition")
NOT_IN_TABLES = ("id", "recording", "reference", "channels")
USED = tuple(f for f in StudyNight.__struct_fields__ if f not in NOT_IN_TABLES)
NUMBERS = (
    "block",
    "days_since_first_worn",
    "setting_mm",
    "setting_pct",
    "morning_jaw_pain",
    "morning_headache",
    "perceived_sleep",
)
CLOCKS = ("lights_off", "lights_on", "appliance_in", "appliance_out")


def study_from_table(
    path: Path,
    *,
    person: str = "",
    primary_outcome: str = "episodes_per_hour",
    criterion: str = "phasic_tonic_10mvc",
    baseline: str = NO_APPLIANCE,
    order: Order = "as it came",
) -> Study:
    """A study of the nights that a CSV table lists; archives lie beside it.

    The table has the columns ``night`` (stem of the archive) and ``condition``; any other field of a
    study night (``date``, ``block``, ``days_since_first_worn``, ...) may be a column too. Further columns
    are passed over. The separator is a comma, semicolon or tab.

    Raises
    ------
    StudyError
        A missing column or a value that the field cannot have, with its line.
    """
    head, *lines = read_cells(path, StudyError) or [[]]
    rows = [dict(zip_longest(head, line[: len(head)], fillvalue="")) for line in lines]
    columns = [c.strip() for c in head if c]
    lacking = [c for c in NEEDED if c not in columns]
    if lacking:
        found = ", ".join(columns) or "none"
        raise StudyError(f"{path.name}: there is no column {' or '.join(lacking)}; the columns are {found}")
    nights = [_night(path, k, row) for k, row in enumerate(rows, start=2)]
    ids = [n.id for n in nights]
    double = next((i for i in ids if ids.count(i) > 1), None)
    if double:
        raise StudyError(f"{path.name}: night {double!r} is there twice; ids must differ")
    return Study(
        pseudonym=person or path.parent.resolve().name or "nights",
        primary_outcome=primary_outcome,
        criterion=criterion,
        baseline=baseline,
        order=order,
        night=tuple(nights),
    )


def _night(path: Path, line: int, row: dict[str, str]) -> StudyNight:
    cells = {k.strip(): v.strip() for k, v in row.items()}
    entry: dict[str, Any] = {"id": cells["night"], "recording": cells["night"]}
    for name in USED:
        value = cells.get(name, "")
        if value:
            entry[name] = value.replace(",", ".") if name in NUMBERS else value
            if name == "condition" and (sign := unseen_in_name(value)):
                raise StudyError(
                    f"{path.name}: line {line}: condition holds the control character {sign}; leave it out"
                )
            if name == "condition":
                entry[name] = plain_name(value)
            if name in CLOCKS and value.count(":") == 1:
                entry[name] = f"{value}:00"
    try:
        return msgspec.convert(entry, StudyNight, strict=False)
    except msgspec.ValidationError as error:
        raise StudyError(f"{path.name}: line {line}: {error}") from error
