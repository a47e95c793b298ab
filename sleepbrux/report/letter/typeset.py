"""A letter set in type: the same bytes for the same nights and entries, tagged, with bundled fonts."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from importlib import resources
from typing import Any

from sleepbrux.core.errors import UsageError
from sleepbrux.report.letter.compared import NightsCompared
from sleepbrux.report.letter.content import content
from sleepbrux.report.letter.fields import Fields
from sleepbrux.report.letter.nights import Letter

MOST_PAGES = 2


def _template() -> bytes:
    return (resources.files("sleepbrux.report.letter") / "letter.typ").read_bytes()


def _inputs(data: dict[str, Any]) -> dict[str, str]:
    """The words as one JSON text: data, of which nothing is read as markup."""
    return {"data": json.dumps(data)}


def page_count(data: dict[str, Any]) -> int:
    """Pages that a letter takes."""
    import typst

    found = typst.query(
        _template(),
        "<pages>",
        field="value",
        one=True,
        sys_inputs=_inputs(data),
        ignore_system_fonts=True,
    )
    return int(found)


def set_in_type(template: bytes, data: dict[str, Any], what: str) -> bytes:
    """The PDF, with the fonts that come with typst; those of the system only for a sign they lack.

    Parameters
    ----------
    what
        What the words stand in, such as ``"letter"``.

    Raises
    ------
    UsageError
        No font has some sign, or the words cannot be set.
    """
    import typst

    said = ""
    for bundled in (True, False):
        try:
            made = typst.compile(
                template,
                sys_inputs=_inputs(data),
                format="pdf",
                pdf_standards=["ua-1"],
                ignore_system_fonts=bundled,
            )
            return bytes(made)
        except typst.TypstError as error:
            said = str(error)
    lacking = re.search(r"the text `\"(.*?)\"` could not be displayed", said)
    if lacking is None:
        raise UsageError(f"the {what} cannot be set in type ({said.partition(chr(10))[0]})")
    raise UsageError(
        f"no font on this machine has the sign {lacking[1]!r}, which stands in the {what}; write it in other "
        "letters"
    )


def letter_pdf(
    letters: Sequence[Letter],
    fields: Fields,
    *,
    comparison: NightsCompared | None = None,
    missing: Sequence[str] = (),
    dates: bool = False,
) -> bytes:
    """The letter as PDF/UA-1.

    Nights that would need a third page stand by condition only.

    Parameters
    ----------
    letters, fields
        The nights of one person, and what the clinician enters.
    comparison, missing, dates
        As for `content.content`.

    Raises
    ------
    UsageError
        No night, nights of several people, or more text than two pages hold.
    """
    if not letters:
        raise UsageError("a letter needs at least one night")
    people = {dict(x.night.about).get("person", "") for x in letters}
    if len(people) > 1:
        raise UsageError(
            f"the nights are of {len(people)} people ({', '.join(sorted(people))}); write one letter for each"
        )
    for every_night in (True, False):
        data = content(
            letters,
            fields,
            comparison=comparison,
            missing=missing,
            dates=dates,
            every_night=every_night,
        )
        if page_count(data) <= MOST_PAGES:
            return set_in_type(_template(), data, "letter")
    raise UsageError("the letter needs more than two pages; shorten own_words or the other fields")
