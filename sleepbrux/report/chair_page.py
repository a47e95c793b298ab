"""Pages about clenches: one self-contained file, no script, no network."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup

from sleepbrux.report import frame


def page(title: str, sections: Sequence[Markup], *, banner: str = "") -> str:
    """A whole page; ``title`` and ``banner`` are escaped."""
    return frame.render("plain.html.j2", title=title, banner=banner, body=Markup("\n").join(sections))


def section(heading: str, *parts: Markup) -> Markup:
    """A titled part of a page."""
    id_ = "h-" + (re.sub(r"[^a-z0-9]+", "-", heading.lower()).strip("-") or "part")
    return Markup('<section aria-labelledby="{0}">\n<h2 id="{0}">{1}</h2>\n{2}\n</section>').format(
        id_, heading, Markup("\n").join(parts)
    )


def paragraph(text: str, kind: str = "") -> Markup:
    """One paragraph."""
    return Markup('<p class="{}">{}</p>').format(kind, text) if kind else Markup("<p>{}</p>").format(text)


def bullets(texts: Sequence[str]) -> Markup:
    """A list."""
    return Markup("<ul>{}</ul>").format(Markup("").join(Markup("<li>{}</li>").format(t) for t in texts))


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]], *, words: int = 1) -> Markup:
    """A table whose first ``words`` columns are text and the others numbers."""

    def cells(row: Sequence[str]) -> Markup:
        made = [Markup('<th scope="row">{}</th>').format(row[0])]
        made += [
            Markup("<td>{}</td>" if k < words else '<td class="n">{}</td>').format(value)
            for k, value in enumerate(row[1:], start=1)
        ]
        return Markup("<tr>{}</tr>").format(Markup("").join(made))

    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(Markup(' class="n"') if k >= words else "", h)
        for k, h in enumerate(heads)
    )
    return Markup(
        '<div class="wide" tabindex="0" role="group" aria-label="{0}"><table><caption>{0}</caption>'
        "<thead><tr>{1}</tr></thead><tbody>{2}</tbody></table></div>"
    ).format(caption, head, Markup("\n").join(cells(r) for r in rows))
