"""Every recipe runs as it stands in the documentation, with public names only."""

import ast
import re

import pytest

import sleepbrux as sb
from tests.cli.conftest import called
from tests.docs.recipes import RECIPES, START, blocks, run

WANTED = (
    "agreement archive bids chin cluster cohort hypnogram matlab mixed-model mne-raw own-criterion planning"
)


def test_there_are_twelve_and_the_list_names_each():
    assert " ".join(p.stem for p in RECIPES) == WANTED
    listed = RECIPES[0].with_name("index.md").read_text("utf-8")
    assert sorted(re.findall(r"^([a-z-]+)$", listed, flags=re.MULTILINE)) == WANTED.split()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", [*RECIPES, START], ids=lambda p: p.stem)
def test_a_recipe_runs(path, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    if path.stem == "cluster":
        (tmp_path / "nights").mkdir()
        for seed in (1, 2):
            sb.invent_night(tmp_path / "nights" / f"n{seed}.edf", hours=0.2, seed=seed)
    run(path, called)


@pytest.mark.parametrize("path", [*RECIPES, START], ids=lambda p: p.stem)
def test_a_recipe_uses_public_names_only_and_checks_something(path):
    code = "\n".join(text for language, text, _ in blocks(path) if language == "python")
    assert "assert " in code
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.ImportFrom):
            assert not str(node.module).startswith("sleepbrux"), node.module
        if isinstance(node, ast.Import):
            assert all(a.name == "sleepbrux" or not a.name.startswith("sleepbrux") for a in node.names)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "sb":
            assert node.attr in sb.__all__, node.attr
