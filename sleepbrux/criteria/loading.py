"""Rule files to criteria, with one sentence for whatever is wrong in them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.core.arguments import NONE, PATH, check, one_of
from sleepbrux.core.errors import CriterionError
from sleepbrux.core.files import read_text, toml_table
from sleepbrux.criteria.model import SECTIONS, Criterion, Muscle, changed, from_table

DEFAULT_ID = "phasic_tonic_10mvc"
DEFAULT_WITHOUT_MVC_ID = "aasm"
CHIN_ID = "aasm_chin"
KINDS_OF_THRESHOLD = ("level_pct_mvc", "times_background")
MANY_LINES = ("summary", "departures", "made_for", "source")


def _folder() -> Any:
    return resources.files("sleepbrux.criteria") / "presets"


def criterion_ids(muscle: Muscle | None = None) -> list[str]:
    """Ids of the rule sets that come with the package, sorted.

    Parameters
    ----------
    muscle
        Only rule sets that were made for these muscles: ``"jaw"`` or ``"chin"``.

    Returns
    -------
    list of str

    Raises
    ------
    UsageError
        Other muscles.

    Examples
    --------
    >>> criterion_ids()[0], criterion_ids("chin")
    ('aasm', ['aasm_chin'])
    """
    check(muscle=(muscle, NONE | one_of("jaw", "chin")))
    names = sorted(p.name.removesuffix(".toml") for p in _folder().iterdir() if p.name.endswith(".toml"))
    return [name for name in names if muscle is None or _packaged(name).muscle == muscle]


@cache
def _packaged(name: str) -> Criterion:
    """A rule set of the package: its file is read once."""
    return from_text((_folder() / f"{name}.toml").read_text("utf-8"), f"{name}.toml")


def load_criterion(name: str | Path) -> Criterion:
    """A rule set by its id, or from a rule file (``.toml``).

    Parameters
    ----------
    name
        An id of `criterion_ids`, or the path of a rule file: complete, or one that says
        ``base = "lavigne1996"`` and states an id and what differs.

    Returns
    -------
    Criterion

    Raises
    ------
    CriterionError
        Unknown id, or a file that is no rule set.

    Examples
    --------
    >>> load_criterion("phasic_tonic_10mvc").threshold.level_pct_mvc
    10.0
    """
    check(name=(name, PATH))
    if str(name) in criterion_ids():
        return _packaged(str(name))
    path = Path(name)
    if path.suffix != ".toml":
        raise CriterionError(
            f"no criterion is called {str(name)!r}; there are {', '.join(criterion_ids())}, "
            "or give the path of a rule file that ends in .toml"
        )
    return from_text(read_text(path, CriterionError, "rule file (TOML)"), path.name)


def criterion_of(given: str | Path | Criterion) -> Criterion:
    """A rule set as it is, or by its id or file."""
    return given if isinstance(given, Criterion) else load_criterion(given)


def from_text(text: str, name: str) -> Criterion:
    """A rule set from the text of a rule file; ``name`` is what errors call it."""
    table = toml_table(text, name, CriterionError, MANY_LINES)
    return from_table(_on_base(table, name) if "base" in table else table, name)


def _on_base(table: dict[str, Any], name: str) -> dict[str, Any]:
    """A rule file that states what differs from a rule set of the package, made complete."""
    base = table.pop("base")
    if base not in criterion_ids():
        raise CriterionError(
            f"{name}: key base: there is no {base!r}; there are {', '.join(criterion_ids())}"
        )
    if "id" not in table:
        raise CriterionError(
            f"{name}: there is no key id; other rules than those of {base} need an id of their own"
        )
    parent = load_criterion(base)
    whole: dict[str, Any] = msgspec.to_builtins(parent)
    stated = {k: table.pop(k) for k in SECTIONS if k in table}
    for section, values in stated.items():
        if not isinstance(values, Mapping):
            raise CriterionError(f"{name}: key {section}: a table is wanted, such as [{section}]")
        if whole[section] is None:
            whole[section] = {}
    differs = {f"{section}.{key}": v for section, values in stated.items() for key, v in values.items()}
    for one, other in (KINDS_OF_THRESHOLD, KINDS_OF_THRESHOLD[::-1]):  # TOML has no word for None
        if f"threshold.{one}" in differs and f"threshold.{other}" not in differs:
            whole["threshold"][other] = None
            whole["sources"].pop(f"threshold.{other}", None)
    whole = changed(whole, differs, name, base)
    sources = table.pop("sources", {})
    if not isinstance(sources, Mapping):
        raise CriterionError(f"{name}: key sources: a table is wanted, such as [sources]")
    whole["sources"] |= sources
    title = f"{parent.title}, changed"
    return whole | {"title": title, "parent": base} | table
