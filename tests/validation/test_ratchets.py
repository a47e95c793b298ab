"""A part of the validation remade: figures may improve, not fall.

The stored figures are sums over seeds; here the first seed's own figures are stored beside them.
"""

import json
from pathlib import Path

import pytest

from tests.validation import pasted, truth
from tests.validation.page import FIGURES, PAGE, load_figures, page

RATCHET = json.loads((Path(__file__).parent / "ratchet.json").read_text("utf-8"))
BY_NAME = {f"{c.group}: {c.name}": c for c in truth.conditions()}


def not_worse(tally, stored):
    assert tally.expected == stored["expected"], "the generator changed: remake with tests.validation"
    assert tally.matched >= stored["matched"]
    assert tally.false <= stored["false"]
    assert tally.other_kind <= stored["other_kind"]


@pytest.mark.parametrize("name", sorted(RATCHET["truth"]))
def test_a_generated_night_is_scored_no_worse_than_before(name):
    not_worse(truth.run(BY_NAME[name], 1), RATCHET["truth"][name])


@pytest.mark.parametrize("name", sorted(RATCHET["pasted"]))
def test_pasted_muscle_is_found_no_worse_than_before(name):
    not_worse(pasted.run(name, 1), RATCHET["pasted"][name])


def test_the_page_is_that_of_the_figures():
    assert FIGURES.exists()
    assert PAGE.read_text("utf-8") == page(load_figures()), "run python -m tests.validation page"


def test_every_condition_has_its_row():
    stored = {f"{r['group']}: {r['name']}" for r in load_figures()["truth"]}
    assert stored == set(BY_NAME)


def test_a_worse_tally_fails_the_ratchet():
    name = next(iter(sorted(RATCHET["truth"])))
    better = {**RATCHET["truth"][name], "matched": RATCHET["truth"][name]["matched"] + 1}
    with pytest.raises(AssertionError):
        not_worse(truth.run(BY_NAME[name], 1), better)
