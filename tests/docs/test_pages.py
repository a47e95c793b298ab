"""The documentation in the package: made from the code where it can be, whole, and without dead ends."""

import re

import pytest

import sleepbrux
from sleepbrux.criteria import criterion_ids
from tests.docs.pages import FOLDER, GROUPS, PAGES, ROOT, marked_tests, requirements


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_made_page_is_up_to_date(name):
    assert (FOLDER / name).read_text("utf-8") == PAGES[name](), "run python -m tests.docs"


def test_every_requirement_has_a_test():
    assert [r.id for r in requirements() if not r.tests] == []


def test_every_mark_names_a_requirement():
    assert set(marked_tests()) - {r.id for r in requirements()} == set()


def test_every_criterion_and_every_public_name_has_its_place():
    criteria = (FOLDER / "criteria.md").read_text("utf-8")
    api = (FOLDER / "api.md").read_text("utf-8")
    assert [c for c in criterion_ids() if f"`{c}`" not in criteria] == []
    assert [n for n in sleepbrux.__all__ if n != "__version__" and f"## `{n}" not in api] == []


def test_every_public_name_is_on_the_site_once():
    named = [name for names in GROUPS.values() for name in names.split()]
    assert sorted(named) == sorted(n for n in sleepbrux.__all__ if n != "__version__")


def test_every_public_name_has_an_example():
    """The doctests of CI run each."""
    names = [n for n in sleepbrux.__all__ if n != "__version__"]
    assert [n for n in names if ">>>" not in (getattr(sleepbrux, n).__doc__ or "")] == []


def test_every_public_name_has_a_docstring_and_is_listed_by_dir():
    names = [n for n in sleepbrux.__all__ if n != "__version__"]
    assert [n for n in names if not (getattr(sleepbrux, n).__doc__ or "").strip()] == []
    assert set(names) <= set(dir(sleepbrux))
    with pytest.raises(AttributeError, match="no attribute 'score_knight'"):
        sleepbrux.score_knight  # noqa: B018


def test_the_glossary_is_sorted_and_each_word_is_explained():
    text = (FOLDER / "glossary.md").read_text("utf-8")
    words = re.findall(r"^\*\*(.+?)\.\*\* (.)", text, flags=re.MULTILINE)
    names = [w.casefold() for w, _ in words]
    assert len(names) > 20
    assert names == sorted(names)


LINKED = ["README.md", "DEVELOPERS.md", *(p.relative_to(ROOT).as_posix() for p in FOLDER.rglob("*.md"))]


@pytest.mark.parametrize("page", sorted(LINKED))
def test_relative_links_lead_somewhere(page):
    text = (ROOT / page).read_text("utf-8")
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)
    assert [link for link in links if not ((ROOT / page).parent / link).exists()] == []
