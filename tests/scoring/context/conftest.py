"""One generated hour with every confounder and every signal, scored once."""

import pytest

from sleepbrux.scoring.request import Request, score_file
from sleepbrux.synth.channels import write_around
from sleepbrux.synth.confounders import Around, plan_around
from sleepbrux.synth.layout import Recipe

RATES = {"short wakes": 5, "long wakes": 2, "body movements": 7, "sleep talking": 4, "swallows": 8}


@pytest.fixture(scope="session")
def planned():
    recipe = Recipe(
        hours=1.1,
        episodes_per_hour=12,
        awake_s=60.0,
        settle_s=60.0,
        isolated_per_hour=2.0,
        twitches_per_hour=2.0,
    )
    return plan_around(recipe, Around(dict(RATES), breathing_per_hour=8.0), seed=11)


@pytest.fixture(scope="session")
def recording(planned, tmp_path_factory):
    path = tmp_path_factory.mktemp("around") / "night.edf"
    write_around(planned, path)
    return path


@pytest.fixture(scope="session")
def night(recording):
    return score_file(recording, Request())
