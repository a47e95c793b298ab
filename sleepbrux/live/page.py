"""The page of the session: no data in it, only its markup, style and script, and the policy that binds it."""

from __future__ import annotations

from functools import cache
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.live.words import CAUTIONS
from sleepbrux.report import palette
from sleepbrux.report.frame import source_hash, style


def _read(name: str) -> str:
    return (resources.files("sleepbrux.live") / "templates" / name).read_text("utf-8")


@cache
def shell() -> tuple[str, str]:
    """The page and its content security policy."""
    script, sheet = palette.script() + _read("chair.js"), style() + _read("chair.css")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(_read("chair.html.j2"))
    policy = (
        f"default-src 'none'; script-src '{source_hash(script)}'; style-src '{source_hash(sheet)}'; "
        "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    page = template.render(style=Markup(sheet), script=Markup(script), purpose=PURPOSE, cautions=CAUTIONS)
    return page, policy
