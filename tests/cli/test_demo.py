"""The demo goes the way of a user: what is compared is on record before a night is scored."""

import pytest

from sleepbrux.analysis.comparison.fixing import load_record, record_path
from sleepbrux.cli.demo import command
from sleepbrux.study.file import load_study
from sleepbrux.synth.study import study_file


class ScoringBegunError(Exception):
    """Raised in place of the first scoring."""


def test_outcome_and_design_are_on_record_before_the_first_night_is_scored(tmp_path, monkeypatch):
    def first_night(scenario, out, *, keep, on_night):
        out.mkdir()
        (out / "study.toml").write_text(study_file(scenario), "utf-8")
        on_night(scenario.nights[0], out / "night-01.edf")

    def stop(*_):
        raise ScoringBegunError

    monkeypatch.setattr("sleepbrux.cli.score.load_kernels", lambda: None)
    monkeypatch.setattr("sleepbrux.synth.study.make_study", first_night)
    monkeypatch.setattr("sleepbrux.scoring.request.study_request", stop)
    with pytest.raises(ScoringBegunError):
        command.callback(out=tmp_path / "demo")
    study = tmp_path / "demo" / "study.toml"
    (fixed,) = load_record(record_path(study)).entries
    assert (fixed.kind, fixed.scored) == ("fixed", 0)
    assert fixed.settings.primary_outcome == load_study(study).primary_outcome
