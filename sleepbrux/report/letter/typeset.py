"""A letter set in type: the same bytes for the same nights and entries, tagged, with bundled fonts."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from importlib import resources
from typing import Any, NamedTuple

from sleepbrux.core.arguments import FLAG, NONE, TEXT, check, each, of
from sleepbrux.core.errors import UsageError
from sleepbrux.report.letter.compared import NightsCompared
from sleepbrux.report.letter.content import content
from sleepbrux.report.letter.fields import Fields
from sleepbrux.report.letter.nights import Letter

MOST_PAGES = 2
SIZES_PT = (9.8, 9.4, 9.0, 8.6)
LEAST_FILLED_PT = 250  # of a second page of 842 pt: no page is nearly empty


def _template() -> bytes:
    return (resources.files("sleepbrux.report.letter") / "letter.typ").read_bytes()


class Layout(NamedTuple):
    """How a letter is laid out: size of type in points, and whether details begin on a new page."""

    size_pt: float
    split: bool = False


def _inputs(data: dict[str, Any], layout: Layout) -> dict[str, str]:
    """The words as one JSON text: data, of which nothing is read as markup."""
    return {"data": json.dumps(data), "size": str(layout.size_pt), "split": str(int(layout.split))}


def extent(data: dict[str, Any], layout: Layout) -> dict[str, float]:
    """Pages that a letter takes, where the last one ends (points), and the page that holds the cautions."""
    import typst

    found = typst.query(
        _template(),
        "<pages>",
        field="value",
        one=True,
        sys_inputs=_inputs(data, layout),
        ignore_system_fonts=True,
    )
    return dict(json.loads(found))


def fitting_layout(data: dict[str, Any]) -> Layout | None:
    """The largest type in which the letter takes one page, or two that are used well.

    Well means: answer, figure, table, rule, limits and cautions are on the first page, and the second is
    filled, best with the details alone. Where no layout gives that, the first with two pages is taken.

    Parameters
    ----------
    data
        As of `content.content`.

    Returns
    -------
    Layout or None
        None where the smallest type needs more than two pages.
    """
    within: Layout | None = None
    splits = (True, False) if data["in_full"] else (False,)
    for layout in (Layout(size, split) for split in splits for size in SIZES_PT):
        end = extent(data, layout)
        if end["pages"] > MOST_PAGES:
            continue
        within = within or layout
        if end["cautions"] == 1 and (end["pages"] == 1 or end["end"] >= LEAST_FILLED_PT):
            return layout
    return within


def set_in_type(template: bytes, data: dict[str, Any], what: str, *, layout: Layout | None = None) -> bytes:
    """The PDF, with the fonts that come with typst; those of the system only for a sign they lack.

    Parameters
    ----------
    what
        What the words are part of, such as ``"letter"``.
    layout
        Where the template asks for one.

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
                sys_inputs=_inputs(data, layout or Layout(SIZES_PT[0])),
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
        f"no font on this machine has the sign {lacking[1]!r}, which is in the {what}; write it in other "
        "letters"
    )


def refuse_several_people(letters: Sequence[Letter]) -> None:
    """Refuse what is no letter about one person.

    Raises
    ------
    UsageError
        No night, or nights of several people.
    """
    if not letters:
        raise UsageError("a letter needs at least one night")
    people = {dict(x.night.about).get("person", "") for x in letters}
    if len(people) > 1:
        raise UsageError(
            f"the nights are of {len(people)} people ({', '.join(sorted(people))}); write one letter for each"
        )


def letter_pdf(
    letters: Sequence[Letter],
    fields: Fields,
    *,
    comparison: NightsCompared | None = None,
    missing: Sequence[str] = (),
    dates: bool = False,
) -> bytes:
    """The letter as PDF/UA-1, of one page or two.

    Nights that would need a third page are given by condition only.

    Parameters
    ----------
    letters, fields
        The nights of one person, and what the clinician enters.
    comparison, missing, dates
        As for `content.content`.

    Returns
    -------
    bytes

    Raises
    ------
    UsageError
        No night, nights of several people, or more text than two pages hold.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.letter_pdf([sb.Letter("n1", "0" * 64, night)], sb.Fields(question="Usable?"))[:4]
    b'%PDF'
    """
    check(
        letters=(letters, each(of(Letter), "a list of Letter")),
        fields=(fields, of(Fields)),
        comparison=(comparison, NONE | of(NightsCompared)),
        missing=(missing, each(TEXT, "a list of texts")),
        dates=(dates, FLAG),
    )
    refuse_several_people(letters)
    for every_night in (True, False):
        data = content(
            letters,
            fields,
            comparison=comparison,
            missing=missing,
            dates=dates,
            every_night=every_night,
        )
        layout = fitting_layout(data)
        if layout is not None:
            return set_in_type(_template(), data, "letter", layout=layout)
    raise UsageError("the letter needs more than two pages; shorten own_words or the other fields")
