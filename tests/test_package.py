"""What the package says of itself."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
import yaml

import sleepbrux
from sleepbrux.core.purpose import PURPOSE
from tests.conftest import listed
from tests.outside.registry import outside

ROOT = Path(__file__).resolve().parents[1]


def test_the_version_is_the_same_in_both_places():
    table = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert table["project"]["version"] == sleepbrux.__version__


def bibtex(text):
    """Entries of a BibTeX text, each a dict."""
    return [dict(re.findall(r"(\w+)\s*=\s*\{+([^{}]*)\}+", block)) for block in text.split("@")[1:]]


@pytest.mark.parametrize("page", ["README.md", "sleepbrux/docs/citing.md"])
def test_the_citation_is_the_same_everywhere(page):
    said = yaml.safe_load((ROOT / "sleepbrux" / "docs" / "CITATION.cff").read_text("utf-8"))
    assert said["cff-version"] == "1.2.0"
    assert {"message", "title", "authors"} <= said.keys()  # what the format asks for
    assert said["version"] == sleepbrux.__version__
    assert (
        said["license"] == tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["license"]
    )
    (block,) = re.findall(r"```bibtex\n(.*?)```", (ROOT / page).read_text("utf-8"), flags=re.DOTALL)
    (entry,) = bibtex(block)
    assert (entry["title"], entry["version"]) == (said["title"], said["version"])
    assert entry["author"] == said["authors"][0]["name"]


def test_the_citation_file_keeps_to_the_published_schema():
    schema = json.loads(outside("cff-1.2.0.json").read_text("utf-8"))
    assert schema["$id"] == "https://citation-file-format.github.io/1.2.0/schema.json"
    said = yaml.load((ROOT / "sleepbrux" / "docs" / "CITATION.cff").read_text("utf-8"), yaml.BaseLoader)
    checker = jsonschema.Draft7Validator(schema, format_checker=jsonschema.FormatChecker())
    assert [e.message for e in checker.iter_errors(said)] == []
    for wrong in ({"license": "free"}, {"authors": []}, {"date-released": "soon"}, {"colour": "red"}):
        assert list(checker.iter_errors(said | wrong)), wrong


@pytest.mark.shows("purpose")
def test_the_readme_carries_the_purpose_sentence_word_for_word():
    assert PURPOSE in (ROOT / "README.md").read_text("utf-8")


def test_the_readmes_python_runs():
    text = (ROOT / "README.md").read_text("utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    names: dict = {}
    here = Path.cwd()
    import os

    os.chdir(ROOT)
    try:
        exec(code, names)
    finally:
        os.chdir(here)
    assert names["night"].measures["episodes_per_hour"].value > 0


@pytest.mark.shows("wake-as-sleep")
def test_hours_of_sleep_are_a_denominator_only_where_stages_are():
    cautions = (
        "analysis/agreement/compare.py",
        "report/letter/sentences.py",
    )  # what is said of others' numbers
    found = [
        path.relative_to(ROOT / "sleepbrux").as_posix()
        for path in sorted((ROOT / "sleepbrux").rglob("*"))
        if path.suffix in (".py", ".toml", ".j2", ".js", ".typ")
        and "per hour of sleep" in path.read_text("utf-8")
    ]
    assert [p for p in found if p not in cautions] == ["scoring/context/counts.py", "scoring/measures.py"]


def test_every_public_function_has_an_example_that_runs():
    """Doctests run with the suite of CI; here: none is without, and each says what it returns."""
    import inspect

    for name in sleepbrux.__all__:
        value = getattr(sleepbrux, name)
        if inspect.isfunction(value):
            text = inspect.getdoc(value) or ""
            assert ">>> " in text, name
            assert "Returns\n-------" in text or inspect.signature(value).return_annotation == "None", name


def test_the_lock_pins_every_dependency_within_its_bounds_with_check_sums():
    from packaging.requirements import Requirement

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    text = (ROOT / ".ci" / "requirements.lock").read_text("utf-8")
    pins = list(re.findall(r"^([\w.-]+)==([^\s;]+)(?: ;[^\n]*)? \\\n +--hash=sha256:", text, re.MULTILINE))
    assert len(pins) == len(re.findall(r"^[\w.-]+==", text, re.MULTILINE)) > 30
    for wanted in map(Requirement, project["dependencies"]):
        found = [version for name, version in pins if name == wanted.name]
        assert found, wanted
        assert all(wanted.specifier.contains(version) for version in found), wanted


def test_every_line_of_the_list_of_long_tests_names_one():
    lines = listed()
    assert lines == sorted(set(lines))
    for line in lines:
        file, _, case = line.partition("::")
        source = (ROOT / file).read_text("utf-8")
        assert f"def {case.split('[')[0] or 'test_'}" in source, line


def test_the_bill_of_materials_in_the_wheel_is_that_of_the_lock():
    from tests import sbom

    table = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert table["tool"]["hatch"]["build"]["targets"]["wheel"]["sbom-files"] == [
        sbom.BILL.relative_to(ROOT).as_posix()
    ]
    lock = sbom.LOCK.read_text("utf-8")
    kept, made = json.loads(sbom.BILL.read_text("utf-8")), sbom.bill(lock)
    for bill in (kept, made):
        for component in bill["components"]:  # known only of what is installed where the bill is made
            component.pop("licenses", None)
    assert kept == made, "python -m tests.sbom"
    assert len(made["components"]) == len(re.findall(r"^[\w.-]+==", lock, re.MULTILINE))
    graph = {row["ref"]: set(row["dependsOn"]) for row in made["dependencies"]}
    own = made["metadata"]["component"]["purl"]
    asked = {re.match(r"pkg:pypi/(.*)@", purl)[1] for purl in graph[own]}
    assert asked == {re.match(r"[\w.-]+", text)[0] for text in table["project"]["dependencies"]}
    reached, waiting = set(), [own]
    while waiting:
        reached.add(one := waiting.pop())
        waiting += graph[one] - reached
    assert reached == set(graph)


def test_the_bill_of_materials_follows_the_published_schema():
    validation = pytest.importorskip("cyclonedx.validation.json", reason="the extra 'test' is not whole here")
    from cyclonedx.schema import SchemaVersion

    from tests import sbom

    strict = validation.JsonStrictValidator(SchemaVersion.V1_6)
    text = sbom.BILL.read_text("utf-8")
    assert strict.validate_str(text) is None
    assert strict.validate_str(text.replace('"bomFormat"', '"format"')) is not None
