"""The page itself: no data in it, only its markup, style and script, and the policy that binds it."""

from __future__ import annotations

from functools import cache
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.report import palette
from sleepbrux.report.frame import read, source_hash


def _read(package: str, name: str) -> str:
    return (resources.files(package) / "templates" / name).read_text("utf-8")


def window_script() -> str:
    """How a window is let in by another one of the same page."""
    return _read("sleepbrux.review", "window.js")


@cache
def shell(home: str = "", api: str = "/api") -> tuple[str, str]:
    """The page and its content security policy; ``home`` is the address of the page it is a part of.

    Below ``api`` it asks for its data.
    """
    script = palette.script() + read("draw.js") + window_script() + _read("sleepbrux.review", "review.js")
    style = palette.variables() + _read("sleepbrux.review", "review.css")
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    template = environment.from_string(_read("sleepbrux.review", "review.html.j2"))
    policy = (
        f"default-src 'none'; script-src '{source_hash(script)}'; style-src '{source_hash(style)}'; "
        "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )
    page = template.render(style=Markup(style), script=Markup(script), purpose=PURPOSE, home=home, api=api)
    return page, policy
