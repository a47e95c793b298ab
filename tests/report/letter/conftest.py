"""Nights of one person with an appliance and without."""

from dataclasses import replace

import pytest

from sleepbrux.report.letter.nights import Letter
from tests.report.conftest import bursts_of, scored


def letter_of(k, condition, *, n=4, pseudonym="P-07", **changes):
    """Night ``k`` of a person, with a made-up digest of its archive."""
    night = scored(bursts=bursts_of(n), seed=k, name=f"night{k}")
    about = (("person", pseudonym), ("night", f"night-{k}"), ("condition", condition))
    return Letter(f"night-{k}", f"{k:064x}", replace(night, about=about, **changes))


@pytest.fixture(scope="session")
def one():
    return [letter_of(1, "none")]


@pytest.fixture(scope="session")
def four():
    return [
        letter_of(1, "none", n=5),
        letter_of(2, "none"),
        letter_of(3, "splint", n=3, supersedes="0a1b-2c3d-4e5f"),
        letter_of(4, "splint", n=2),
    ]
