"""Sleep stages: names of both manuals, marks and tables, and what is refused."""

from __future__ import annotations

from datetime import datetime, time

import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.model import Mark
from sleepbrux.recording.stages import (
    STAGES,
    hypnogram_of,
    load_stages,
    read_stages,
    stage_of,
)

from .build import edf_plus, tal, times

START = datetime(2026, 3, 2, 22, 30)


def epochs(*stages: str, step: float = 30.0, duration: float = 30.0) -> list[Mark]:
    return [Mark(k * step, duration, text) for k, text in enumerate(stages)]


def codes(night) -> set[str]:
    return {note.code for note in night.notes}


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("Sleep stage W", "wake"),
        ("Sleep stage N1", "n1"),
        ("Sleep stage R", "rem"),
        ("Sleep stage 4", "n3"),
        ("Sleep stage ?", "unscored"),
        ("S2", "n2"),
        ("NREM 3", "n3"),
        ("N4", "n3"),
        ("REM sleep", "rem"),
        ("SLEEP-S0", "wake"),
        ("SLEEP-REM", "rem"),
        ("MT", "movement"),
        ("Movement time", "movement"),
        ("Wach", "wake"),
        ("Stage 1", "n1"),
        ("not scored", "unscored"),
        ("Schlafstadium 2", "n2"),
        ("Lights off", ""),
        ("sleep", ""),
        ("2", ""),
        ("clench", ""),
        ("restless", ""),
        ("M1", ""),
        ("S5", ""),
        ("Arousal", ""),
        ("stage left", ""),
    ],
)
def test_names_of_both_manuals(text, stage):
    assert stage_of(text) == stage


def test_marks_with_durations_become_spans_and_unscored_time_stays_unknown():
    night = read_stages(
        epochs("Sleep stage W", "Sleep stage N2", "Sleep stage ?", "Sleep stage R"), duration_s=150.0
    )
    assert night is not None
    assert night.grid.slot_s == 1
    assert night.spans["n2"].seconds() == [(30.0, 60.0)]
    assert night.scored.seconds() == [(0.0, 60.0), (90.0, 120.0)]
    assert night.sleep.seconds() == [(30.0, 60.0), (90.0, 120.0)]
    assert set(night.spans) == set(STAGES)
    assert night.at([0.0, 59.9, 60.0, 149.0]) == ["wake", "n2", "unscored", "unscored"]


def test_stages_of_rechtschaffen_and_kales_are_joined_and_movement_time_is_neither():
    night = read_stages(epochs("Sleep stage 3", "Sleep stage 4", "Movement time"))
    assert night is not None
    assert night.spans["n3"].seconds() == [(0.0, 60.0)]
    assert night.scored.duration_s == 60
    assert night.spans["movement"].duration_s == 30
    assert codes(night) == {"stages-rk"}


def test_marks_without_duration_last_until_the_next_but_no_longer_than_an_epoch():
    marks = [Mark(t, 0.0, s) for t, s in [(0, "W"), (30, "W"), (60, "N1"), (120, "N2"), (150, "N2")]]
    night = read_stages(marks, duration_s=300.0)
    assert night is not None
    assert night.spans["n1"].seconds() == [(60.0, 90.0)]
    assert night.spans["n2"].seconds() == [(120.0, 180.0)]


def test_marks_at_changes_of_stage_last_until_the_next_and_the_last_one_is_open():
    marks = [Mark(t, 0.0, s) for t, s in [(0, "W"), (300, "N1"), (420, "N2"), (1900, "W")]]
    night = read_stages(marks, duration_s=3000.0)
    assert night is not None
    assert night.scored.seconds() == [(0.0, 1900.0)]
    assert "stages-endless" in codes(night)


def test_two_stages_at_one_time_are_neither():
    night = hypnogram_of([(0, 60, "n2"), (30, 90, "rem")], 90.0, "two scorers")
    assert night.scored.seconds() == [(0.0, 30.0), (60.0, 90.0)]
    assert codes(night) == {"stages-overlap"}


def test_borders_between_seconds_need_a_finer_grid():
    night = read_stages([Mark(0.37, 30.0, "N2"), Mark(30.37, 30.0, "R")])
    assert night is not None
    assert night.spans["n2"].seconds() == [(0.37, 30.37)]


def test_a_wild_time_allocates_no_wild_grid():
    night = read_stages([Mark(0, 30, "N2"), Mark(9e14, 30, "R")])
    assert night is not None
    assert night.grid.n_slots == 31 * 86_400
    assert night.scored.duration_s == 30


def test_marks_without_a_stage_are_no_hypnogram():
    assert read_stages([Mark(0, 0, "Lights off"), Mark(5, 0, "Sleep stage ?"), Mark(6, 2, "")]) is None


TABLES = {
    "comma": "onset,duration,stage\n0,30,W\n30,30,N2\n60,30,R\n",
    "german": "\ufeffBeginn;Dauer;Schlafstadium\n0,0;30,0;Wach\n30,0;30,0;N2\n60,0;30,0;REM\n",
    "clock": "Time\tStage\n22:30:00\tSleep stage W\n22:30:30\tN2\n22:31:00\tR\n22:31:30\tW\n",
    "dated": "onset;stop;stage\n2026-03-02 22:30:00;2026-03-02 22:30:30;W\n"
    "2026-03-02 22:30:30;2026-03-02 22:31:00;N2\n2026-03-02 22:31:00;2026-03-02 22:31:30;REM\n",
    "epochs": "epoch,stage\n1,W\n2,S2\n3,REM\n",
    "bare": "W\nN2\nR\n",
    "coded": "stage\n0\n2\n5\n",
}


@pytest.mark.parametrize("name", TABLES)
def test_tables_in_many_forms_say_the_same(tmp_path, name):
    path = tmp_path / "stages.csv"
    path.write_text(TABLES[name], encoding="utf-8")
    night = load_stages(path, start=START, duration_s=3600.0)
    assert night.spans["n2"].seconds() == [(30.0, 60.0)]
    assert night.spans["rem"].seconds() == [(60.0, 90.0)]
    assert night.spans["wake"].seconds()[0] == (0.0, 30.0)
    assert night.grid.duration_s == 3600
    assert "stages.csv" in night.origin


def test_stages_past_midnight_are_on_the_night_clock(tmp_path):
    path = tmp_path / "stages.csv"
    path.write_text("onset,duration,stage\n00:10:00,30,N2\n", encoding="utf-8")
    night = load_stages(path, start_clock=time(22, 30), duration_s=8 * 3600.0)
    assert night.spans["n2"].seconds() == [(6000.0, 6030.0)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("onset,duration,stage\nsoon,30,N2\n", "no time"),
        ("onset,duration,stage\n0,30,banana\n", "no row names"),
        ("a,b\n1,2\n", "columns"),
        ("stage\n", "no row"),
        ("epoch,stage\n1e99,W\n2,W\n", "whole number"),
        ("stage\n0\n4\n4\n", "REM in another"),
        ("onset,duration,stage\n9000,30,N2\n", "after the end"),
        ("onset,duration,stage\n0,30,?\n", "no sleep stage"),
        ("\0\0\0\0", "no row"),
    ],
)
def test_a_table_that_says_nothing_is_refused_in_one_sentence(tmp_path, text, said):
    path = tmp_path / "stages.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match=said) as caught:
        load_stages(path, start=START, duration_s=3600.0)
    assert str(caught.value).startswith("stages.csv: ")
    assert "\n" not in str(caught.value)


def test_a_clock_time_without_a_known_start_is_refused(tmp_path):
    path = tmp_path / "stages.csv"
    path.write_text("onset,duration,stage\n23:10:00,30,N2\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="does not say at what time it starts"):
        load_stages(path, duration_s=3600.0)


def test_an_edf_of_stages_is_laid_by_the_difference_of_the_start_times(tmp_path):
    lists = tal("+0", "Sleep stage W", duration="30") + tal("+30", "Sleep stage N2", duration="30")
    file = edf_plus(
        times(["+0"], (0, lists), annotation_bytes=200), n_records=1, start_time="22.30.30", record_duration=0
    )
    path = file.write(tmp_path / "hypnogram.edf")
    assert open_edf(path, marks_only=True).marks
    night = load_stages(path, start=START, duration_s=600.0)
    assert night.spans["n2"].seconds() == [(60.0, 90.0)]
