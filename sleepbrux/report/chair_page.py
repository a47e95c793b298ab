"""Pages about clenches: one self-contained file, no script, no network."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections.abc import Sequence
from functools import cache
from importlib import resources

from markupsafe import Markup, escape

from sleepbrux.core.purpose import PURPOSE

SHELL = Markup(
    '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src '{policy}'\">\n"
    '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
    '<meta name="referrer" content="no-referrer">\n<title>{title}</title>\n<style>{style}</style>\n'
    "</head>\n<body>\n{banner}<main>\n<h1>{title}</h1>\n{body}</main>\n"
    '<footer><p class="small">{purpose}</p></footer>\n</body>\n</html>\n'
)


@cache
def _style() -> str:
    return (resources.files("sleepbrux.report") / "templates" / "chair.css").read_text("utf-8")


def page(title: str, sections: Sequence[Markup], *, banner: str = "") -> str:
    """A whole page; ``title`` and ``banner`` are escaped."""
    style = _style()
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return SHELL.format(
        policy=f"sha256-{digest}",
        title=title,
        style=Markup(style),
        body=Markup("\n").join(sections),
        banner=Markup('<p class="banner">{}</p>\n').format(banner) if banner else "",
        purpose=PURPOSE,
    )


def section(heading: str, *parts: Markup) -> Markup:
    """A titled part of a page."""
    return Markup("<section>\n<h2>{}</h2>\n{}\n</section>").format(heading, Markup("\n").join(parts))


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
        '<div class="wide"><table><caption>{}</caption><thead><tr>{}</tr></thead>'
        "<tbody>{}</tbody></table></div>"
    ).format(caption, head, Markup("\n").join(cells(r) for r in rows))


def svg(width: int, height: int, label: str, *parts: Markup) -> Markup:
    """A drawing with a text for those who do not see it."""
    return Markup(
        '<svg viewBox="0 0 {} {}" role="img" aria-label="{}" xmlns="http://www.w3.org/2000/svg">{}</svg>'
    ).format(width, height, label, Markup("").join(parts))


def label(x: float, y: float, text: str, kind: str = "") -> Markup:
    """Text in a drawing."""
    return Markup('<text x="{:.1f}" y="{:.1f}" class="{}">{}</text>').format(x, y, kind, escape(text))


def ticks(top: float, most: int = 5) -> list[float]:
    """Round values from 0 to ``top``."""
    step = next(m * 10.0**e for e in range(-3, 7) for m in (1, 2, 5) if top / (m * 10.0**e) <= most)
    return [step * k for k in range(int(top / step) + 1)]
