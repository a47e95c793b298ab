"""Report and letter of the excerpt are what somebody has looked at."""

import difflib
import json

import numpy as np
import pytest

from tests.golden import FOLDER, made

AGAIN = "look at it with python -m tests.golden, then accept it with python -m tests.golden --accept"


@pytest.fixture(scope="module")
def now():
    return made()


@pytest.mark.parametrize("name", ["report.txt", "letter.txt"])
def test_the_words_have_been_looked_at(now, name):
    held = (FOLDER / name).read_text("utf-8").splitlines()
    changed = [
        line
        for line in difflib.unified_diff(held, now[name].splitlines(), "held", "now", n=0, lineterm="")
        if line[:1] in "+-"
    ]
    assert not changed, "\n".join([AGAIN, *changed[:40]])


def test_the_letter_looks_as_it_did(now):
    held = json.loads((FOLDER / "letter.pages.json").read_text("utf-8"))
    pages = json.loads(now["letter.pages.json"])
    assert len(pages) == len(held), AGAIN
    for before, after in zip(held, pages, strict=True):
        apart = np.abs(np.array(before) - np.array(after))
        assert (apart > 6).mean() < 0.01, AGAIN
