"""``sleepbrux study`` as a user runs it."""

from datetime import datetime

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
        file.read_text()
        .replace('"FILL IN"           # "none"', '"none" #')
        .replace("FILL IN", "P1")
    )
    assert run("study", "check", file).code == 0
    assert run("study", "check", tmp_path / "none.toml").code == 2
