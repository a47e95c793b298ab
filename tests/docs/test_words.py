"""What a person reads outside the pages: no phrase that readers stumbled on, one term for one thing.

The phrases are in ``tests/words.py``, the terms in ``sleepbrux/docs/glossary.md``. Letter and sheets are read in
their own tests.
"""

import ast
import json
import re

import click
import pytest

from sleepbrux.cli import VERBS, cli
from tests.docs.pages import FOLDER, ROOT
from tests.words import GLOSSARY, INSTEAD, MOST_WORDS, not_terms, plain, prose, refused, sentences, too_long

PACKAGE = ROOT / "sleepbrux"
# a rule set's digest covers the words of its sources, which criteria.md prints: they stay as they are
DOCUMENTS = sorted(
    [
        *(p for p in FOLDER.rglob("*.md") if p.name != "criteria.md"),
        *(ROOT / name for name in ("README.md", "DEVELOPERS.md")),
        *(ROOT / name / "README.md" for name in ("notebooks", "demo_data")),
    ]
)
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
# words of the pages, which are written with the pages; and patterns that read what others write
ELSEWHERE = {
    "export/chain.py",
    "export/sharing.py",
    "recording/formats/table_form.py",
    "recording/marks.py",
    "recording/stages.py",
    "recording/window.py",
    "scoring/context/counts.py",
    "scoring/uncertainty.py",
}


def named(path):
    return path.relative_to(ROOT).as_posix()


def commands(command, name="sleepbrux"):
    """Every command and group with its name."""
    yield name, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for verb in command.list_commands(context):
            yield from commands(command.get_command(context, verb), f"{name} {verb}")


def help_of(name, command):
    return command.get_help(click.Context(command, info_name=name, terminal_width=100))


ALL = dict(commands(cli))


def test_every_verb_is_read():
    assert {name.split()[1] for name in ALL if " " in name} == set(VERBS)


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_help_of_a_command(name):
    assert refused(plain(help_of(name, ALL[name]))) == []


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_first_line_of_a_help_is_short(name):
    first = (ALL[name].help or "").strip().split("\n\n")[0]
    assert first
    assert too_long(sentences(first)[0]) == []


@pytest.mark.parametrize("path", DOCUMENTS, ids=named)
def test_a_document(path):
    assert refused(prose(path.read_text("utf-8"))) == []


def opening(text):
    """What is read first: the first paragraph that is no heading, quotation or table."""
    paragraphs = [
        p for p in text.split("\n\n") if p.strip() and not p.lstrip().startswith(("#", ">", "|", "!"))
    ]
    return prose(paragraphs[0])


@pytest.mark.parametrize("path", [p for p in DOCUMENTS if p.parent.name != "decisions"], ids=named)
def test_the_first_sentences_of_a_document_are_short(path):
    assert too_long(opening(path.read_text("utf-8"))) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=named)
def test_the_first_sentences_of_a_notebook_are_short(path):
    first = json.loads(path.read_text("utf-8"))["cells"][0]
    assert too_long(opening("".join(first["source"]))) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=named)
def test_a_notebook_in_its_words_and_in_what_it_prints(path):
    cells = json.loads(path.read_text("utf-8"))["cells"]
    said = [prose("".join(c["source"])) for c in cells if c["cell_type"] == "markdown"]
    for cell in cells:
        for output in cell.get("outputs", ()):
            printed = output.get("text") or output.get("data", {}).get("text/plain", ())
            said.append(plain("".join(printed)))
    assert refused("\n\n".join(said)) == []


DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def literals(path):
    """Sentences in the code: its texts without docstrings, with X for what is filled in."""
    tree = ast.parse(path.read_text("utf-8"))
    skip = set()
    for node in ast.walk(tree):
        if isinstance(node, DOCUMENTED) and ast.get_docstring(node, clean=False) is not None:
            skip.add(id(node.body[0].value))
        if isinstance(node, ast.JoinedStr):
            skip |= set(map(id, node.values))
            yield "".join(v.value if isinstance(v, ast.Constant) else "X" for v in node.values)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skip:
            yield node.value


def spoken():
    """Modules whose texts reach a person by the terminal, the letter, the sheets or a message."""
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE)
        pages = inside.parts[0] == "review" or (inside.parts[0] == "report" and len(inside.parts) == 2)
        if inside.as_posix() not in ELSEWHERE and (not pages or inside.name == "answers.py"):
            yield path


@pytest.mark.parametrize("path", list(spoken()), ids=named)
def test_the_texts_in_the_code(path):
    found = [(text, refused(plain(text))) for text in literals(path) if " " in text]
    assert [(text, why) for text, why in found if why] == []


def test_the_list_finds_what_it_is_for():
    assert len(INSTEAD) > 30
    said = (
        "It stands on 2\nchannels. The night stands apart. Whose word it is cannot be told. 3 night(s). "
        "From 0.25-2 s, a bout, beside the marks, counting noise."
    )
    assert len(refused(said)) == 9, refused(said)
    assert (
        refused("Two electrodes 20 mm apart, teeth apart; 2026-03-02, 1–3; night-01; --clenches 1,2,4-6.")
        == []
    )
    assert too_long(f"{'word ' * MOST_WORDS}more.")
    assert not too_long(f"{'word ' * (MOST_WORDS - 1)}last. Another.")


def test_the_glossary_refuses_words_for_its_terms_and_uses_none_of_them():
    text = GLOSSARY.read_text("utf-8")
    refuses = not_terms()
    assert len(refuses) > 10
    for entry in re.findall(r"^\*\*(.+?)\.\*\*", text, flags=re.MULTILINE):
        assert entry.casefold() not in {word.casefold() for word in refuses}
