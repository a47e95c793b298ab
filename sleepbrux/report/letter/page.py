"""The same letter as one self-contained HTML file, for a mail program that opens no PDF."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from sleepbrux.core.arguments import FLAG, NONE, TEXT, check, each, of
from sleepbrux.report.letter.compared import NightsCompared
from sleepbrux.report.letter.content import content
from sleepbrux.report.letter.fields import Fields
from sleepbrux.report.letter.nights import Letter
from sleepbrux.report.letter.typeset import refuse_several_people


def letter_html(
    letters: Sequence[Letter],
    fields: Fields,
    *,
    comparison: NightsCompared | None = None,
    missing: Sequence[str] = (),
    dates: bool = False,
) -> str:
    """The letter as HTML, without script and without anything to be fetched.

    Parameters
    ----------
    letters, fields
        The nights of one person, and what the clinician enters.
    comparison, missing, dates
        As for `letter_pdf`.

    Returns
    -------
    str
    One file, without script and without anything to be fetched.

    Raises
    ------
    UsageError
        No night, or nights of several people.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> page = sb.letter_html([sb.Letter("n1", "0" * 64, night)], sb.Fields(question="Usable?"))
    >>> page.startswith("<!doctype html>")
    True
    """
    check(
        letters=(letters, each(of(Letter), "a list of Letter")),
        fields=(fields, of(Fields)),
        comparison=(comparison, NONE | of(NightsCompared)),
        missing=(missing, each(TEXT, "a list of texts")),
        dates=(dates, FLAG),
    )
    refuse_several_people(letters)
    data = content(letters, fields, comparison=comparison, missing=missing, dates=dates)
    text = (resources.files("sleepbrux.report.letter") / "letter.html.j2").read_text("utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    figure = data["figure"] or {"svg": "", "narrow": ""}
    return environment.from_string(text).render(
        d=data, drawing=Markup(figure["svg"]), small_drawing=Markup(figure["narrow"])
    )
