"""Pages of the package's documentation that are made from the code, so that they cannot go stale."""

from __future__ import annotations

import ast
import inspect
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

import sleepbrux
from sleepbrux.criteria import SECTIONS, criterion_ids, load_criterion
from tests.privacy import table as privacy
from tests.test_house_rules import room_table

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "sleepbrux" / "docs"
REMAKE = "Made by `python -m tests.docs`; do not edit by hand."


def _cell(value: object) -> str:
    return str(value).replace("|", "\\|").replace("\n", " ").strip()


def _table(head: list[str], rows: list[list[str]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "| " + " | ".join("---" for _ in head) + " |"
    for row in rows:
        yield "| " + " | ".join(_cell(v) for v in row) + " |"
    yield ""


def criteria_page() -> str:
    """How each criterion was read: every clause, value and source."""
    lines = [
        "# How each criterion was read",
        "",
        REMAKE,
        "",
        "Status: *read* (in the paper or manual), *from memory* (recalled, not checked against the paper), "
        "*our choice* (the source is silent, or could not be read). A cut-off is printed with what it was "
        "made for and is never applied.",
        "",
    ]
    for name in criterion_ids():
        rules = load_criterion(name)
        lines += [f"## {rules.title}", "", f"`{name}`", "", _cell(rules.summary), ""]
        lines += [f"- Departure: {_cell(d)}" for d in rules.departures]
        lines.append("")
        rows = []
        for section in SECTIONS:
            part = getattr(rules, section)
            if part is None:
                continue
            for key, value in msgspec.structs.asdict(part).items():
                source = rules.sources.get(f"{section}.{key}")
                if source is None:
                    continue
                rows.append([f"`{section}.{key}`", f"{value}", source.status, source.source])
        lines += _table(["setting", "value", "status", "source"], rows)
        cut_offs = [
            [c.measure, f"{c.comparison} {c.value:g}", c.made_for, c.status, c.source] for c in rules.cut_offs
        ]
        if cut_offs:
            lines += _table(["cut-off on", "value", "made for", "status", "source"], cut_offs)
    return "\n".join(lines).rstrip() + "\n"


def _members(value: type) -> Iterator[str]:
    for name, member in sorted(vars(value).items()):
        if name.startswith("_") or not (inspect.isfunction(member) or isinstance(member, property)):
            continue
        text = (inspect.getdoc(member) or "").split("\n\n")[0].replace("\n", " ")
        shown = name if isinstance(member, property) else f"{name}()"
        yield f"- `{shown}`: {text}"


def api_page() -> str:
    """The public library, from its docstrings."""
    lines = [
        "# The public library",
        "",
        REMAKE,
        "",
        "`import sleepbrux` and use these names. What is not named here may change without notice.",
        "",
    ]
    for name in sorted(n for n in sleepbrux.__all__ if n != "__version__"):
        value: Any = getattr(sleepbrux, name)
        if inspect.isfunction(value):
            signature = inspect.signature(value)
            plain = signature.replace(return_annotation=inspect.Signature.empty)
            names = [
                str(p.replace(annotation=inspect.Parameter.empty))
                for p in plain.parameters.values()
                if p.name != "self"
            ]
            star = [
                i for i, p in enumerate(plain.parameters.values()) if p.kind is inspect.Parameter.KEYWORD_ONLY
            ]
            if star:
                names.insert(star[0], "*")
            lines += [f"## `{name}({', '.join(names)})`", ""]
        else:
            lines += [f"## `{name}`", ""]
        lines += ["```text", inspect.getdoc(value) or "", "```", ""]
        if inspect.isclass(value):
            members = list(_members(value))
            lines += [*members, ""] if members else []
    return "\n".join(lines).rstrip() + "\n"


GROUPS = {
    "Recordings": "open_recording open_with_mne from_array Recording Hints Mark Hypnogram Window invent_night",
    "Scoring": "score How score_many Batch rescore Night Measure Note Reference given",
    "Criteria": "criterion_ids load_criterion Criterion assess_robustness",
    "Tables and files": "frames tidy mne_annotations save_night load_night chain_of",
    "Nights compared": "compare_nights CountedNight Comparison plan_nights Planned Variation own_variation Plan",
    "Persons compared": "read_cohort compare_cohort PersonNight Cohort",
    "Readers compared": "agree ScoringAgreement",
    "Study and letter": "load_study letter_pdf letter_html Letter Fields",
    "Errors": "SleepbruxError UsageError",
}


def reference_page() -> str:
    """The public library for the site, where Sphinx fills in signatures and docstrings."""

    def heading(text: str, sign: str) -> list[str]:
        return [text, sign * len(text), ""]

    lines = [f".. {REMAKE}", "", *heading("The public library", "=")]
    lines += [
        "``import sleepbrux as sb`` and use these names. What is not named here may change without notice.",
        "",
    ]
    for group, names in GROUPS.items():
        lines += heading(group, "-")
        for name in names.split():
            value: Any = getattr(sleepbrux, name)
            kind = "autofunction" if inspect.isfunction(value) else "autoclass"
            members = ["   :members:"] if inspect.isclass(value) else []
            lines += [f".. {kind}:: sleepbrux.{name}", *members, ""]
    return "\n".join(lines).rstrip() + "\n"


@dataclass(frozen=True)
class Requirement:
    """A requirement, a clause or a hazard, and the tests that show it."""

    id: str
    kind: str
    text: str
    control: str
    tests: tuple[str, ...]


def _shown(node: ast.AST) -> list[str]:
    """Ids in a ``pytest.mark.shows("…", "…")`` anywhere below a node."""
    return [
        str(arg.value)
        for call in ast.walk(node)
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr == "shows"
        for arg in call.args
        if isinstance(arg, ast.Constant)
    ]


def marked_tests() -> dict[str, list[str]]:
    """Id to the tests that are marked with it; a module's own mark stands for all its tests."""
    found: dict[str, list[str]] = {}
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        name = path.relative_to(ROOT).as_posix()
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                for each in (i for d in node.decorator_list for i in _shown(d)):
                    found.setdefault(each, []).append(f"{name}::{node.name}")
            elif isinstance(node, ast.Assign) and any(
                isinstance(t, ast.Name) and t.id == "pytestmark" for t in node.targets
            ):
                for each in _shown(node):
                    found.setdefault(each, []).append(name)
    return found


def requirements() -> list[Requirement]:
    """Every requirement of ``requirements.toml`` with its tests."""
    table = tomllib.loads((Path(__file__).parent / "requirements.toml").read_text("utf-8"))
    tests = marked_tests()
    return [Requirement(id=name, tests=tuple(tests.get(name, ())), **entry) for name, entry in table.items()]


def risks_page() -> str:
    """Requirements and hazards, their controls, and the tests that show them."""
    lines = [
        "# Requirements and risks",
        "",
        REMAKE,
        "",
        "What could harm a person comes first. A hazard is a way in which a number could mislead someone; "
        "its control is what stands against it. A "
        "test is listed where it is marked as showing the line. Whoever uses this in a study or a clinic has "
        "risks of their own to add.",
        "",
    ]
    for kind, title in (
        ("person", "What can go wrong for a person"),
        ("hazard", "Hazards"),
        ("requirement", "Requirements"),
        ("clause", "Clauses"),
    ):
        rows = [
            [r.id, r.text, r.control, "<br>".join(f"`{t}`" for t in r.tests)]
            for r in requirements()
            if r.kind == kind
        ]
        if rows:
            lines += [f"## {title}", ""]
            wrong = kind in ("person", "hazard")
            lines += _table(
                ["id", "what could go wrong" if wrong else "what must hold", "control", "tests"], rows
            )
    return "\n".join(lines).rstrip() + "\n"


PAGES: dict[str, Callable[[], str]] = {
    "api.md": api_page,
    "criteria.md": criteria_page,
    "reference.rst": reference_page,
    "privacy.md": lambda: privacy.page(REMAKE),
    "risks.md": risks_page,
}


def with_rooms(text: str) -> str:
    """DEVELOPERS.md with its table of rooms made from the list that the tests of arrows hold."""
    before, _, rest = text.partition("<!-- rooms -->")
    return f"{before}<!-- rooms -->\n{room_table()}\n<!-- /rooms -->{rest.partition('<!-- /rooms -->')[2]}"
