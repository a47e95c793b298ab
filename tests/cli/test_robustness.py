"""``sleepbrux robustness``."""

import json


def test_it_works_from_the_archive_and_renews_the_report(run, edf, tmp_path):
    out = tmp_path / "out"
    run("score", edf, "--out", out)
    edf.unlink()
    before = (out / "night.report.html").read_text("utf-8")
    done = run("robustness", out / "night.night.h5")
    assert done.code == 0, done.err
    assert "lavigne1996" in done.out
    table = json.loads((out / "night.robustness.json").read_text("utf-8"))
    assert table["sentence"] in done.out
    assert {r["criterion"] for r in table["rows"]} >= {"phasic_tonic_10mvc", "lavigne1996", "aasm"}
    after = (out / "night.report.html").read_text("utf-8")
    assert table["sentence"] in after
    assert "pause between episodes, s" in after
    assert "pause between episodes, s" not in before


def test_the_scored_report_shows_three_rule_sets_side_by_side(run, edf, tmp_path):
    run("score", edf, "--out", tmp_path)
    page = (tmp_path / "night.report.html").read_text("utf-8")
    assert "The same night under other rules" in page
    for name in ("phasic_tonic_10mvc", "lavigne1996", "aasm"):
        assert f"<code>{name}</code>" in page


def test_what_is_no_archive_is_refused_and_the_others_are_done(run, edf, tmp_path):
    run("score", edf, "--out", tmp_path)
    bad = tmp_path / "bad.night.h5"
    bad.write_bytes(b"nothing")
    done = run("robustness", bad, tmp_path / "night.night.h5")
    assert done.code == 1
    assert "bad.night.h5" in done.err
    assert (tmp_path / "night.robustness.json").is_file()


def test_the_report_of_a_reviewed_night_is_renewed_as_the_reviewed_one(run, edf, tmp_path):
    from tests.cli.test_review import decide, target

    run("score", edf, "--out", tmp_path)
    archive = tmp_path / "night.night.h5"
    decide(archive, action="accept", target=target(archive))
    assert run("robustness", archive).code == 0
    page = (tmp_path / "night.report.html").read_text("utf-8")
    assert "not reviewed" not in page
    assert "Reviewed scoring (reader AB" in page
