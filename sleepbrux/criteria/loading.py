"""Rule files to criteria, with one sentence for whatever is wrong in them."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import CriterionError
from sleepbrux.core.files import read_text, toml_table
from sleepbrux.criteria.model import Criterion, from_table

DEFAULT_ID = "phasic_tonic_10mvc"
DEFAULT_WITHOUT_MVC_ID = "aasm"
MANY_LINES = ("summary", "departures", "made_for", "source")


def _folder() -> Any:
    return resources.files("sleepbrux.criteria") / "presets"


def criterion_ids() -> list[str]:
    """Ids of the rule sets that come with the package, sorted."""
    return sorted(p.name.removesuffix(".toml") for p in _folder().iterdir() if p.name.endswith(".toml"))


def load_criterion(name: str | Path) -> Criterion:
    """A rule set by its id, or from a rule file (``.toml``).

    Raises
    ------
    CriterionError
        Unknown id, or a file that is not a complete rule set.
    """
    if str(name) in criterion_ids():
        return from_text((_folder() / f"{name}.toml").read_text("utf-8"), f"{name}.toml")
    path = Path(name)
    if path.suffix != ".toml":
        raise CriterionError(
            f"no criterion is called {str(name)!r}; there are {', '.join(criterion_ids())}, "
            "or give the path of a rule file that ends in .toml"
        )
    return from_text(read_text(path, CriterionError, "rule file (TOML)"), path.name)


def from_text(text: str, name: str) -> Criterion:
    """A rule set from the text of a rule file; ``name`` is what errors call it."""
    return from_table(toml_table(text, name, CriterionError, MANY_LINES), name)
