"""A cohort from a table and into JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import zip_longest
from pathlib import Path

import msgspec

from sleepbrux.analysis.cohort.model import Cohort, PersonNight
from sleepbrux.core.arguments import PATH, check
from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import read_cells
from sleepbrux.core.json_text import json_text, versioned
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import plain_name, unseen_in_name

SCHEMA_VERSION = "2.0"
COLUMNS = ("person", "condition", "events", "valid_hours")
ALSO = {"episode_count": "events"}  # so that the study table of `export` is a cohort table

# What a row of a table may hold; beyond it the columns are others than they seem.
MOST_EVENTS, LEAST_HOURS, MOST_HOURS = 1e6, 1e-3, 1e4


def read_cohort(path: str | Path) -> list[PersonNight]:
    """Nights of many persons from a CSV table.

    Columns ``person``, ``condition``, ``events`` and ``valid_hours``; ``period``, ``sequence`` and ``night``
    may be there too. Separator comma, semicolon or tab.

    Parameters
    ----------
    path
        The table.

    Returns
    -------
    list of PersonNight

    Raises
    ------
    StudyError
        A missing column, or a value that is no number, with its line.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "nights.csv"
    ...     _ = table.write_text("person,condition,events,valid_hours\\nP1,none,40,7.5\\n")
    ...     read_cohort(table)[0].events
    40.0
    """
    check(path=(path, PATH))
    path = Path(path)
    head, *lines = read_cells(path, StudyError) or [[]]
    if "events" not in [c.strip() for c in head]:
        head = [ALSO.get(c.strip(), c) for c in head]
    rows = [dict(zip_longest(head, line[: len(head)], fillvalue="")) for line in lines]
    columns = [c.strip() for c in head if c]
    lacking = [c for c in COLUMNS if c not in columns]
    if lacking:
        raise StudyError(
            f"{path.name}: there is no column {' or '.join(lacking)}; the columns are "
            f"{', '.join(columns) or 'none'}"
        )
    return [_row(path.name, k, row) for k, row in enumerate(rows, start=2)]


def _row(name: str, line: int, row: dict[str, str]) -> PersonNight:
    cells = {k.strip(): v.strip() for k, v in row.items()}
    numbers = []
    for column, least, most in (
        ("events", 0.0, MOST_EVENTS),
        ("valid_hours", LEAST_HOURS, MOST_HOURS),
    ):
        try:
            value = float(cells[column].replace(",", "."))
        except ValueError:
            value = math.nan
        if value != 0 and not least <= value <= most:
            raise StudyError(
                f"{name}: line {line}: {column} is {cells[column]!r}; it must be a number of 0 or more, "
                f"{most:g} at most{f' and {least:g} at least where it is not 0' if least else ''}"
            )
        numbers.append(value)
    for column in ("person", "condition"):
        if not cells[column]:
            raise StudyError(f"{name}: line {line}: {column} is empty; every night needs one")
        if sign := unseen_in_name(cells[column]):
            raise StudyError(
                f"{name}: line {line}: {column} holds the control character {sign}; leave it out"
            )
    return PersonNight(
        person=plain_name(cells["person"]),
        condition=plain_name(cells["condition"]),
        events=numbers[0],
        hours=numbers[1],
        period=cells.get("period", ""),
        sequence=cells.get("sequence", ""),
        night=cells.get("night", ""),
    )


def cohort_text(found: Cohort, input_sha256: Mapping[str, str] | None = None) -> str:
    """A cohort as indented JSON with a line feed at the end.

    Parameters
    ----------
    input_sha256
        Digest of each file that it was made from, by name.
    """
    table = {"input_sha256": dict(input_sha256 or {}), **msgspec.to_builtins(found), "purpose": PURPOSE}
    return json_text(versioned(SCHEMA_VERSION, table))
