"""``sleepbrux study`` as a user runs it."""

from datetime import datetime

import pytest

from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.render import write_night


def test_new_drafts_once_and_check_says_what_is_missing(run, tmp_path):
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=1)
    write_night(plan, tmp_path / "n.edf", start=datetime(2026, 3, 2, 22, 40))
    assert run("study", "new", tmp_path).code == 0
    file = tmp_path / "study.toml"
    again = run("study", "new", tmp_path)
    assert again.code == 2
    assert "is there already" in again.err
    done = run("study", "check", file)
    assert done.code == 1
    assert "missing: night[0] (night-01).condition" in done.out
    file.write_text(
        file.read_text().replace('"FILL IN"           # "none"', '"none" #').replace("FILL IN", "P1")
    )
    assert run("study", "check", file).code == 0
    assert run("study", "check", tmp_path / "none.toml").code == 2


NIGHT = '[[night]]\nid = "n{k}"\nrecording = ""\ncondition = "{condition}"\n'


def planned(path, *conditions):
    nights = "".join(NIGHT.format(k=k, condition=c) for k, c in enumerate(conditions))
    path.write_text(f'pseudonym = "P1"\n{nights}')
    return path


@pytest.mark.shows("condition-names")
def test_check_fails_on_names_that_mean_no_appliance_or_the_same_one(run, tmp_path):
    file = planned(
        tmp_path / "study.toml", "None", "no splint", "nothing", "night guard", "Night Guard", "nightguard"
    )
    done = run("study", "check", file)
    assert done.code == 1
    lines = done.out.splitlines()
    assert lines[0] == "study.toml: 6 nights; nothing missing, 4 questions, 1 note"
    assert all(line.startswith("question: ") for line in lines[1:5])
    assert lines[5].startswith("note: ")
    assert all(f"{word!r}" in done.out for word in ("None", "no splint", "nothing", "nightguard"))


def test_a_study_is_planned_and_its_sheets_printed_before_any_recording_exists(run, tmp_path):
    done = run("study", "new", tmp_path, "--condition", "none", "--condition", "night guard")
    assert done.code == 0, done.err
    assert "8 nights planned" in done.out
    file = tmp_path / "study.toml"
    assert f"sleepbrux protocol {file}" in done.err
    early = run("protocol", file)
    assert (early.code, "pseudonym" in early.err) == (2, True)
    file.write_text(file.read_text().replace("FILL IN", "P1"))
    done = run("study", "check", file)
    assert done.code == 0, done.out
    assert f"sleepbrux protocol {file}" in done.err
    done = run("protocol", file)
    assert done.code == 0, done.err
    assert (tmp_path / "P1.patient-sheet.pdf").is_file()
    done = run("score", "--study", file)
    assert done.code == 2
    assert "no recording yet" in done.err


def test_a_night_that_is_planned_stops_nothing(run, tmp_path):
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=1)
    write_night(plan, tmp_path / "n.edf", start=datetime(2026, 3, 2, 22, 40))
    file = planned(tmp_path / "study.toml", "none", "splint")
    file.write_text(file.read_text().replace('recording = ""', 'recording = "n.edf"', 1))
    done = run("score", "--study", file)
    assert done.code == 0, done.err
    assert "1 night is not recorded yet: n1" in done.out
    assert (tmp_path / "results" / "n0.night.h5").is_file()
    done = run("summary", file)
    assert done.code == 0, done.err
    assert "missing" not in done.out
    assert run("letter", "--study", file).code == 0
    assert run("inspect", "--after-night", file).code == 0
