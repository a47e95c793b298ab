"""The frame of every page: one style sheet, one policy, skip link, contents list, footer.

A page is a template that extends ``page.html.j2``. It loads nothing from anywhere.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from html import escape, unescape
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import sentence
from sleepbrux.core.version import __version__
from sleepbrux.report import palette
from sleepbrux.report.numbers import en_dashes

HEADING = re.compile(r'<h2 id="([\w-]+)"[^>]*>(.*?)</h2>')
CONTENTS = "<!-- contents -->"
TABLE = re.compile(r"<table\b[^>]*>.*?</table>", re.DOTALL)
HEAD = re.compile(r"<th\b[^>]*>(.*?)</th>", re.DOTALL)
ROW = re.compile(r"<tr\b.*?</tr>", re.DOTALL)
CELL = re.compile(r"<t[hd](?=[ >])")
TAG = re.compile(r"<[^>]+>")


def read(name: str) -> str:
    """A file of the templates."""
    return (resources.files("sleepbrux.report") / "templates" / name).read_text("utf-8")


@cache
def environment() -> Environment:
    """Templates with everything escaped; an unknown name is an error."""
    made = Environment(
        loader=FunctionLoader(read),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["dashed"] = en_dashes
    made.filters["sentence"] = sentence
    return made


@cache
def style() -> str:
    """The style sheet that all pages share."""
    return palette.variables() + read("page.css")


@cache
def script(*names: str) -> str:
    """Scripts in one, with the palettes before them; empty for a page without a script."""
    return palette.script() + "".join(map(read, names)) if names else ""


def source_hash(text: str) -> str:
    """A script or style as a content security policy names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def policy(style_text: str, script_text: str = "") -> str:
    """Content security policy of a page that holds all it needs."""
    scripts = f"script-src '{source_hash(script_text)}'; " if script_text else ""
    return (
        f"default-src 'none'; {scripts}style-src '{source_hash(style_text)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def render(template: str, scripts: tuple[str, ...] = (), **values: Any) -> str:
    """A page from its template and values, with the list of its own headings filled in."""
    code = script(*scripts)
    page = (
        environment()
        .get_template(template)
        .render(
            policy=policy(style(), code),
            style=Markup(style()),
            script=Markup(code),
            purpose=PURPOSE,
            version=__version__,
            **values,
        )
    )
    return TABLE.sub(_labelled, page.replace(CONTENTS, _contents(page), 1))


def _contents(page: str) -> str:
    return "".join(f'<li><a href="#{id_}">{title}</a></li>' for id_, title in HEADING.findall(page))


def _labelled(table: re.Match[str]) -> str:
    """A table whose cells carry the head of their column, which a narrow window shows before each."""
    head, end, rows = table[0].partition("</thead>")
    heads = [escape(unescape(TAG.sub(" ", words)).strip()) for words in HEAD.findall(head)]

    def labelled(row: re.Match[str]) -> str:
        left = iter(heads)
        return CELL.sub(lambda cell: f'{cell[0]} data-label="{next(left, "")}"', row[0])

    return head + end + ROW.sub(labelled, rows)
