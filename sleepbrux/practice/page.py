"""The page itself: no data in it, only its frame, style and script, and the policy that binds it."""

from __future__ import annotations

from functools import cache
from importlib import resources

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from sleepbrux.core.printed import hours_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import visible
from sleepbrux.core.version import __version__
from sleepbrux.report import frame, palette
from sleepbrux.review.page import window_script


def _read(name: str) -> str:
    return (resources.files("sleepbrux.practice") / "templates" / name).read_text("utf-8")


@cache
def templates() -> Environment:
    """Templates of the screens, with everything escaped; an unknown name is an error."""
    made = Environment(
        loader=FunctionLoader(_read),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["hours"] = hours_text
    made.filters["seen"] = visible
    return made


@cache
def shell() -> tuple[str, str]:
    """The page without any data, and its content security policy."""
    script = palette.script() + window_script() + _read("practice.js")
    style = frame.style() + _read("practice.css")
    policy = (
        f"default-src 'none'; script-src '{frame.source_hash(script)}'; style-src '{frame.source_hash(style)}'; "
        "connect-src 'self'; img-src data:; frame-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )
    page = (
        templates()
        .get_template("shell.html.j2")
        .render(style=Markup(style), script=Markup(script), purpose=PURPOSE, version=__version__)
    )
    return page, policy
