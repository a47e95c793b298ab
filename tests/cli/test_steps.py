"""Every command names the next one, so that it can be copied: from an empty folder to the letter."""

import os
import shlex
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from sleepbrux.cli import next_steps
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.render import write_night

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"
RECIPE = Recipe(hours=0.2, awake_s=60, settle_s=30)


def named(done):
    """The commands that a run named, each as its words without the program."""
    lines = done.err.splitlines()
    said = [lines[k + 1] for k, line in enumerate(lines) if line.startswith("next, ")]
    assert all(line.startswith("  sleepbrux ") for line in said)
    return [shlex.split(line)[1:] for line in said]


def step(done, *words):
    """The named command that begins with these words."""
    found = [c for c in named(done) if c[: len(words)] == list(words)]
    assert found, (words, done.err)
    return found[0]


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recorded")
    for k in (1, 2):
        start = datetime(2026, 3, k, 22, 40)
        write_night(plan_night(RECIPE, seed=k), folder / f"n{k}.edf", start=start)
    return folder


@pytest.mark.shows("next-step")
def test_the_named_commands_lead_from_an_empty_folder_to_the_letter(run, nights, tmp_path):
    folder = tmp_path / "Mrs P's nights"
    folder.mkdir()
    file = folder / "study.toml"
    done = run("study", "new", folder, "--condition", "none", "--condition", "splint", "--nights", 1)
    file.write_text(file.read_text("utf-8").replace("FILL IN", "P-1"), "utf-8")
    check = step(done, "study", "check")
    assert run(*step(done, "protocol")).code == 0
    done = run(*check)
    assert (done.code, step(done, "protocol")) == (0, ["protocol", str(file)])
    text = file.read_text("utf-8")
    for k in (1, 2):
        os.link(nights / f"n{k}.edf", folder / f"n{k}.edf")
        text = text.replace('recording = ""', f'recording = "n{k}.edf"', 1)
    file.write_text(text, "utf-8")
    done = run(*check)
    assert done.code == 0, done.out
    inspected = run(*step(done, "inspect", "--after-night"))
    scored = run(*step(done, "score", "--study"))
    assert (inspected.code, scored.code) == (0, 0)
    assert step(inspected, "score") == step(done, "score")
    (_, archive) = step(scored, "review")
    assert Path(archive) == folder / "results" / "night-01.night.h5"
    assert Path(archive).is_file()
    looked = run("review", archive, "--result")
    assert step(looked, "compare") == step(scored, "compare")
    compared = run(*step(scored, "compare"))
    assert compared.code == 0, compared.err
    letter = run(*step(compared, "letter"))
    assert letter.code == 0, letter.err
    form = run(*step(letter, "letter", "--new-fields"))
    whole = run(*step(form, "letter", "--study"))
    assert whole.code == 0, whole.err
    assert (folder / "letter.pdf").is_file()
    files = run(*step(whole, "export"))
    assert files.code == 0, files.err
    traced = run(*step(files, "trace"))
    many = run(*step(traced, "robustness"))
    assert (traced.code, many.code) == (0, 0)
    assert step(many, "review") == ["review", archive]


def test_results_elsewhere_are_named_in_every_step_after(run, nights, tmp_path):
    file = tmp_path / "study.toml"
    entries = "".join(
        f'[[night]]\nid = "n{k}"\nrecording = "n{k}.edf"\ncondition = "{c}"\n'
        for k, c in ((1, "none"), (2, "splint"))
    )
    file.write_text(f'pseudonym = "P1"\n{entries}', "utf-8")
    for k in (1, 2):
        os.link(nights / f"n{k}.edf", tmp_path / f"n{k}.edf")
    early = run("letter", "--study", file)
    assert early.code == 2
    assert f"score them with: sleepbrux score --study {file}" in early.err
    done = run("score", "--study", file, "--out", tmp_path / "elsewhere")
    assert done.code == 0, done.err
    assert not (tmp_path / "results").exists()
    compare = step(done, "compare")
    assert compare[-2:] == ["--results", str(tmp_path / "elsewhere")]
    letter = step(run(*compare), "letter")
    done = run(*letter)
    assert done.code == 0, done.err
    assert step(done, "letter")[-2:] == ["--results", str(tmp_path / "elsewhere")]
    for verb in ("summary", "compare"):
        done = run(verb, file)
        assert (done.code, "no folder" in done.err) == (2, True), verb


def test_a_recording_alone_has_its_results_beside_it_and_a_next_step(run, tmp_path):
    edf = tmp_path / "night.edf"
    os.link(EXCERPT, edf)
    first = run("inspect", edf)
    after = run(*step(first, "inspect", "--after-night"), "--mvc-uv", "190")
    scored = run(*step(after, "score"))
    assert scored.code == 0, scored.err
    archive = tmp_path / "results" / "night.night.h5"
    assert step(scored, "review") == ["review", str(archive)]
    assert run(*step(scored, "letter")).code == 0
    made = run("report", archive)
    assert step(made, "letter") == ["letter", str(archive)]


@pytest.mark.parametrize("words", [("criteria",), ("criteria", "show", "aasm")])
def test_commands_that_begin_nothing_may_name_nothing(run, words):
    assert run(*words).code == 0


@pytest.mark.parametrize(
    ("called", "said"),
    [
        ("venv/bin/sleepbrux", "venv/bin/sleepbrux"),
        ("/elsewhere/bin/sleepbrux", "/elsewhere/bin/sleepbrux"),
        ("/x/pytest", "sleepbrux"),
    ],
)
def test_the_program_is_named_as_it_can_be_called(monkeypatch, tmp_path, called, said):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", [called])
    monkeypatch.setenv("PATH", str(tmp_path))
    assert next_steps.program() == said
    on_path = tmp_path / "sleepbrux"
    on_path.write_text("")
    on_path.chmod(0o755)
    monkeypatch.setattr(sys, "argv", [str(on_path)])
    assert next_steps.program() == "sleepbrux"


def test_as_a_module_the_named_command_is_one_that_runs(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "sleepbrux", "study", "new", tmp_path],
        capture_output=True,
        text=True,
        check=True,
    )
    line = next(x for x in done.stderr.splitlines() if " study check " in x)
    again = subprocess.run(line, shell=True, capture_output=True, text=True, check=False)
    assert "still to be filled in" in again.stdout


def test_a_name_that_cannot_be_typed_is_not_named(capsys):
    next_steps.say_next(("look", ("report", "a\x1b[31m.h5")))
    assert capsys.readouterr().err == ""
