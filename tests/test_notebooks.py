"""The notebooks run from the first cell to the last, show pictures, and end with what may not be said."""

import ast
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import sleepbrux
from sleepbrux.report.palette import LIGHT

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_there_are_three():
    assert [p.name[0] for p in NOTEBOOKS] == ["1", "2", "3"]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs(path, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(FOLDER.parent))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.delenv("MPLBACKEND", raising=False)  # pictures go into the notebook
    notebook = nbformat.read(path, as_version=4)
    stored = pictures(notebook)
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}}).execute()
    assert pictures(notebook) == stored > 0


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_says_what_may_not_be_said_and_names_no_folder(path):
    notebook = nbformat.read(path, as_version=4)
    texts = [c.source for c in notebook.cells if c.cell_type == "markdown"]
    assert "invented" in texts[0]
    assert "not a medical device" in texts[0]
    assert "*May not:*" in texts[-1]
    assert not re.search(r"/(tmp|home|root|work|usr)/", path.read_text("utf-8"))


def pictures(notebook):
    return sum(
        "image/png" in output.get("data", {}) for cell in notebook.cells for output in cell.get("outputs", ())
    )


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_uses_public_names_only(path):
    code = "\n".join(code_of(path))
    assert re.findall(r"^import sleepbrux as sb$", code, flags=re.MULTILINE)
    assert not re.search(r"(from|import) sleepbrux(\.|$| import)", code, flags=re.MULTILINE)
    used = {
        node.attr
        for node in ast.walk(ast.parse(code))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "sb"
    }
    assert used <= set(sleepbrux.__all__)


def test_a_condition_has_the_colour_that_it_has_on_the_pages():
    said = [
        re.findall(r"^COLOURS = (\{.*\})", code, flags=re.MULTILINE)
        for code in map("\n".join, map(code_of, NOTEBOOKS))
    ]
    tables = [ast.literal_eval(table) for found in said for table in found]
    assert tables == [{"none": LIGHT["c0"], "splint": LIGHT["c1"]}]


def test_mne_pandas_and_a_cohort_are_in_them():
    code = "\n".join(line for path in NOTEBOOKS for line in code_of(path))
    for word in ("mne.io.read_raw_edf", ".annotate(raw", ".to_frame(", ".groupby(", "sb.compare_cohort("):
        assert word in code


def code_of(path):
    return [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
