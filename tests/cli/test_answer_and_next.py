"""Every verb: its first line is the answer, and the last one the next command."""

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from sleepbrux.cli import VERBS
from sleepbrux.synth import study as synth
from sleepbrux.synth.study import load_scenario, write_recording
from tests.cli.conftest import called
from tests.report.every_page import study_folder
from tests.words import refused, too_long

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"
A = "results/night.night.h5"
SERVES = "start"  # a page until somebody quits it: tests/practice
# words of the command, and whether the answer has a number in it
CALLS = {
    "demo": (["--out", "demo"], True),
    "score": (["night.edf", "--mvc-uv", "190"], True),
    "batch": (["folder", "--out", "many", "--workers", "1"], True),
    "inspect": (["night.edf"], True),
    "study": (["check", "plan/study.toml"], True),
    "chair": (["--list"], True),
    "protocol": (["plan/study.toml"], False),
    "reference": (["chair.edf"], True),
    "clench": (["chair.edf"], True),
    "robustness": ([A], True),
    "compare": (["nights", "--quick"], True),
    "review": ([A, "--result"], False),
    "agreement": (["nights", "criterion:aasm"], True),
    "cohort": (["persons.csv", "--out", "cohort"], True),
    "plan": (
        ["--rate", "8", "--spread", "lavigne2001 episodes", "--ratio", "0.5", "--most-nights", "6"],
        True,
    ),
    "summary": (["demo/study.toml"], True),
    "report": ([A], True),
    "letter": ([A], True),
    "export": ([A, "--out", "files"], True),
    "trace": ([A, "episodes_per_hour"], True),
    "deidentify": (["night.edf", "--out", "copy.edf", "--pseudonym", "P-1", "--key-file", "key"], False),
    "criteria": (["show", "aasm"], False),
}
SHORT = 0.5  # hours of a night of the demo


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with what the verbs ask for."""
    folder = tmp_path_factory.mktemp("verbs")
    (folder / "nights").mkdir()
    study_folder(folder / "nights")
    for path in ("folder", "plan"):
        (folder / path).mkdir()
    shutil.copy(EXCERPT, folder / "night.edf")
    shutil.copy(EXCERPT, folder / "folder" / "night.edf")
    write_recording(replace(load_scenario(), rate_hz=500), "reference", folder / "chair.edf")
    persons = [
        f"p{p},{c},{20 + 3 * p + k - 6 * (c == 'splint')},7"
        for p in range(6)
        for c in ("none", "splint")
        for k in range(2)
    ]
    text = "\n".join(["person,condition,events,valid_hours", *persons])
    (folder / "persons.csv").write_text(text + "\n", "utf-8")
    here = Path.cwd()
    os.chdir(folder)
    try:
        assert called("score", "night.edf", "--mvc-uv", "190").code == 0
        small = replace(load_scenario(), hours=SHORT, rate_hz=500, night=load_scenario().night[:6])
        small = replace(small, night=tuple(replace(n, electrode_off=None, gap_s=None) for n in small.night))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(synth, "load_scenario", lambda: small)
            demo = called("demo", "--out", "demo")
        new = called("study", "new", "plan", "--condition", "none", "--condition", "splint", "--nights", 2)
        assert new.code == 0
        plan = folder / "plan" / "study.toml"
        plan.write_text(plan.read_text("utf-8").replace("FILL IN", "P-1"), "utf-8")
        yield {"demo": demo}
    finally:
        os.chdir(here)


def test_every_verb_is_walked():
    assert CALLS.keys() == VERBS.keys() - {SERVES}


@pytest.mark.parametrize("verb", [verb for verb in VERBS if verb != SERVES])
def test_the_first_line_answers_and_the_last_names_the_next_command(place, verb):
    words, number = CALLS[verb]
    done = place.get(verb) or called(verb, *words)
    assert done.code in (0, 1), done.err
    first = next(line for line in done.out.splitlines() if line.strip())
    assert too_long(first.split(": ", 1)[-1]) == []
    assert refused(first) == []
    if number:
        assert re.search(r"\d", first), first
    last = done.err.splitlines()[-1]
    assert re.match(r"  (sleepbrux|\S+python\S* -m sleepbrux) [a-z]+ ?", last), last
    assert done.err.splitlines()[-2].startswith("next, ")
