"""What was fixed when, what was changed after nights had been seen, and how often it was looked."""

import json
from datetime import UTC, date, datetime, timedelta

import msgspec
import pytest

from sleepbrux.analysis.comparison import CountedNight, compare_nights, fixing
from sleepbrux.analysis.comparison.fixing import (
    fix,
    fixing_notes,
    load_record,
    look,
    looks_error_pct,
    record_path,
)
from sleepbrux.core.errors import StudyError
from sleepbrux.study.file import load_study
from tests.cli.conftest import called as run

NOW = datetime(2026, 3, 2, 7, 41, 9, tzinfo=UTC)
TEXT = """
pseudonym = "P"
order = "randomised nights"
[[night]]
id = "n1"
recording = "n1.edf"
condition = "none"
[[night]]
id = "n2"
recording = "n2.edf"
condition = "splint"
"""


@pytest.fixture
def study(tmp_path):
    (tmp_path / "study.toml").write_text(TEXT, "utf-8")
    return load_study(tmp_path / "study.toml")


@pytest.fixture
def path(tmp_path):
    return record_path(tmp_path / "study.toml")


def compared(n):
    first = date(2026, 3, 1)
    nights = [
        CountedNight(f"n{k}", "splint" if k % 2 else "none", 30.0 - k % 3, 7.0, first + timedelta(days=k))
        for k in range(2 * n)
    ]
    return compare_nights(nights, keep_first_night=True, rearranged=False)


def codes(record, study):
    return [n.code for n in fixing_notes(record, study)]


def test_what_a_study_file_fixes_is_recorded_with_digest_and_date(path, study):
    record = fix(path, study, scored=0, now=NOW)
    (line,) = path.read_text("utf-8").splitlines()
    entry = json.loads(line)
    assert entry["at"] == "2026-03-02T07:41:09Z"
    assert entry["settings"]["primary_outcome"] == "episodes_per_hour"
    assert entry["settings"]["conditions"] == ["none", "splint"]
    assert len(entry["digest"]) == 64
    assert codes(record, study) == ["fixed-before"]
    text = fixing_notes(record, study)[0].text
    assert "recorded on 2026-03-02, before the first night was scored" in text
    assert entry["digest"][:12] in text


def test_the_same_settings_are_recorded_once_and_more_nights_do_not_change_them(path, study):
    fix(path, study, scored=0, now=NOW)
    more = msgspec.structs.replace(study, night=(*study.night, changed_night(study)))
    fix(path, more, scored=2, now=NOW)
    assert len(path.read_text("utf-8").splitlines()) == 1


def changed_night(study):
    return msgspec.structs.replace(study.night[0], id="n3", recording="n3.edf")


@pytest.mark.shows("chance-as-effect")
def test_a_change_after_the_first_scored_night_is_shown_as_such(path, study):
    fix(path, study, scored=0, now=NOW)
    other = msgspec.structs.replace(study, primary_outcome="bursts_per_hour")
    record = fix(path, other, scored=9, now=NOW + timedelta(days=20))
    note = next(n for n in fixing_notes(record, other) if n.code == "changed-late")
    assert note.severity == "warning"
    assert "Changed on 2026-03-22, after 9 nights had been scored: primary outcome from" in note.text
    assert "'episodes_per_hour' to 'bursts_per_hour'" in note.text


def test_a_change_before_the_first_scored_night_is_no_warning(path, study):
    fix(path, study, scored=0, now=NOW)
    other = msgspec.structs.replace(study, order="randomised blocks")
    record = fix(path, other, scored=0, now=NOW)
    assert [n.severity for n in fixing_notes(record, other)] == ["note", "note"]


def test_what_was_first_recorded_after_nights_were_scored_is_not_called_chosen_beforehand(path, study):
    record = look(path, study, compared(4), scored=8, now=NOW)
    assert codes(record, study) == ["fixed-late"]
    assert "when 8 nights had been scored" in fixing_notes(record, study)[0].text


def test_without_a_record_the_page_says_so(study):
    assert codes(None, study) == ["not-fixed"]


def test_looks_without_a_schedule_are_counted_and_their_error_is_named(path, study):
    fix(path, study, scored=0, now=NOW)
    for n in (4, 4, 7, 10, 14):
        record = look(path, study, compared(n), scored=2 * n, now=NOW)
    text = next(n.text for n in fixing_notes(record, study) if n.code == "looks-taken")
    assert "looked 4 times" in text  # the same nights twice are one look
    assert "about 9 %" in text
    assert looks_error_pct(1) == 5
    assert looks_error_pct(11) == 13
    assert looks_error_pct(400) == 18


def test_looks_set_beforehand_have_their_own_bound_and_others_are_named(path, study):
    planned = msgspec.structs.replace(study, looks=(5, 8))
    for n in (5, 6, 8):
        record = look(path, planned, compared(n), scored=2 * n, now=NOW)
    notes = {n.code: n.text for n in fixing_notes(record, planned)}
    assert "p 0.016" in notes["looks-planned"]
    assert "also looked at 6 nights" in notes["looks-unplanned"]
    assert "looks-taken" not in notes


def test_a_line_changed_by_hand_shows(path, study):
    fix(path, study, scored=0, now=NOW)
    look(path, study, compared(4), scored=8, now=NOW)
    look(path, study, compared(5), scored=10, now=NOW)
    lines = path.read_text("utf-8").splitlines()
    path.write_text("\n".join([lines[0], lines[1].replace('"scored":8', '"scored":0'), lines[2]]), "utf-8")
    record = load_record(path)
    assert record.broken_at == 3
    assert "record-broken" in codes(record, study)
    path.write_text(lines[0] + "\nno line\n", "utf-8")
    with pytest.raises(StudyError, match="line 2 cannot be read"):
        load_record(path)


def test_a_line_that_two_runs_wrote_at_once_counts_once(path, study):
    fix(path, study, scored=0, now=NOW)
    line = path.read_text("utf-8")
    path.write_text(line + line.replace("07:41:09", "07:41:10"), "utf-8")
    record = look(path, study, compared(4), scored=8, now=NOW)
    assert [e.kind for e in record.entries] == ["fixed", "look"]
    assert load_record(path).broken_at is None
    assert len(load_record(path).entries) == 2


def test_two_runs_that_saw_one_torn_line_cut_nothing_that_the_other_wrote(path, study):
    fix(path, study, scored=0, now=NOW)
    path.write_bytes(path.read_bytes() + b'{"seq":2,"at":"2026-0')
    stale = load_record(path)
    for count in (3, 4):
        fixing._append(path, stale, NOW, kind="look", settings=None, scored=count)
    assert [e.scored for e in load_record(path).entries] == [0, 3, 4]


def test_lines_are_only_ever_added(path, study):
    fix(path, study, scored=0, now=NOW)
    before = path.read_bytes()
    look(path, study, compared(4), scored=8, now=NOW)
    assert path.read_bytes().startswith(before)


@pytest.mark.parametrize("looks", ["[6]", "[6, 6]", "[9, 6]", "[3, 6]"])
def test_looks_that_are_no_schedule_are_refused(tmp_path, looks):
    (tmp_path / "study.toml").write_text(f"looks = {looks}\n{TEXT}", "utf-8")
    with pytest.raises(StudyError, match="looks"):
        load_study(tmp_path / "study.toml")


def test_plan_fixes_a_study_file_before_any_night(tmp_path):
    (tmp_path / "study.toml").write_text(TEXT, "utf-8")
    done = run("plan", "--fix", tmp_path / "study.toml", "--out", tmp_path)
    assert done.code == 0, done.out
    assert "before the first night was scored" in done.out
    assert (tmp_path / "study.fixed.jsonl").is_file()
    assert not (tmp_path / "plan.csv").exists()
