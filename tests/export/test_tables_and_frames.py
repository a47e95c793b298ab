"""CSV, JSON with its schema, pandas frames, mne annotations, and the study table."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.export.dictionary import dictionary_csv
from sleepbrux.export.events import EVENT_TYPES, events
from sleepbrux.export.files import ExportRequest, schema_text, write_files
from sleepbrux.export.frames import frames
from sleepbrux.export.mne_annotations import mne_annotations
from sleepbrux.export.study_table import measures_csv, study_table
from sleepbrux.export.summary import summary_text
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.reference import converted
from sleepbrux.scoring.night import rescore


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture(scope="module")
def validator():
    schema = json.loads(schema_text())
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def test_the_summary_keeps_to_its_published_schema(validator, night, other_night, no_mvc, hostile):
    for each in (night, other_night, no_mvc, hostile):
        assert list(validator.iter_errors(json.loads(summary_text(each)))) == []


@pytest.mark.parametrize(
    "criterion", [i for i in criterion_ids("jaw") if load_criterion(i).heart_rate is None]
)
def test_so_it_does_under_every_criterion(validator, night, criterion):
    rule = load_criterion(criterion)
    kind = rule.envelope.amplitude
    if rule.needs_mvc and kind != "as_reference":
        night = replace(night, reference=converted(night.reference, kind))
    table = json.loads(summary_text(rescore(night, criterion)))
    assert list(validator.iter_errors(table)) == []


def test_the_schema_refuses_what_it_should(validator, night):
    good = json.loads(summary_text(night))
    for change in (
        {"input_sha256": "x"},
        {"new_key": 1},
        {"measures": {}},
        {"report_id": "1"},
        {"measures": {"a": {"value": None, "unit": "1", "basis": "b", "keys": []}}},
    ):
        assert list(validator.iter_errors({**good, **change})), change


def test_every_column_of_every_table_is_in_the_dictionary(night):
    known = {(r["table"], r["column"]) for r in rows_of(dictionary_csv(night))}
    for name, text in (
        ("episodes", episodes_csv(night)),
        ("bursts", bursts_csv(night)),
        ("channel_bursts", channel_bursts_csv(night)),
        ("measures", measures_csv(night)),
    ):
        heads = text.splitlines()[0].split(",")
        assert {(name, h) for h in heads} <= known
    assert {("study_table", m) for m in night.measures} <= known
    assert all(r["meaning"] for r in rows_of(dictionary_csv(night)))


def test_no_cell_of_text_runs_as_a_formula_and_numbers_stay_numbers(hostile, tmp_path):
    for path in write_files([("x", hostile)], tmp_path, ExportRequest(("csv", "study"))):
        for row in csv.reader(io.StringIO(path.read_text("utf-8"))):
            for cell in row:
                if cell.startswith(("=", "+", "-", "@")):
                    float(cell)


def test_the_study_table_has_one_row_a_night_and_every_measure(night, other_night):
    rows = rows_of(study_table([("a", night), ("b", other_night)]))
    assert [r["night"] for r in rows] == ["night-1", "night-2"]
    for row, each in zip(rows, (night, other_night), strict=True):
        for name, measure in each.measures.items():
            if measure.value is None:
                assert row[name] == ""
            else:
                assert float(row[name]) == pytest.approx(measure.value, rel=1e-9)


def test_frames_hold_what_the_night_holds(night):
    found = frames(night)
    assert len(found["episodes"]) == len(night.selection.episodes)
    assert len(found["bursts"]) == len(night.selection.bursts)
    assert found["episodes"]["start_s"].is_monotonic_increasing
    assert found["measures"].loc["episode_count", "value"] == len(night.selection.episodes)
    assert found["episodes"].attrs["columns"]["start_s"]
    assert set(found["events"]["type"]) <= EVENT_TYPES.keys()


def test_mne_annotations_lie_on_the_recording(night):
    import mne

    found = mne_annotations(night)
    rows = events(night)
    np.testing.assert_allclose(found.onset, [e.onset_s for e in rows])
    read = zip(found.onset.round(4), found.description, found.ch_names, strict=True)
    meant = [(round(e.onset_s, 4), e.type, (e.channel,) if e.channel else ()) for e in rows]
    assert sorted(map(tuple, read)) == sorted(meant)
    info = mne.create_info([f.channel.label for f in night.swept.frames], 500, "emg")
    raw = mne.io.RawArray(np.zeros((2, 300_000)), info, verbose="error")
    raw.set_annotations(found)
    assert len(raw.annotations) == len(rows)
    assert set(raw.annotations.ch_names[-1]) <= set(raw.ch_names)


def test_events_are_those_that_count(night):
    rows = events(night)
    kinds = [e.type for e in rows]
    assert sum(k.lower().endswith("episode") for k in kinds) == len(night.selection.episodes)
    assert sum(k.lower().endswith("burst") for k in kinds) == len(channel_bursts_csv(night).splitlines()) - 1
    lost = sum(e.duration_s for e in rows if e.type == "Not scorable" and e.channel.endswith("R"))
    assert lost == pytest.approx(40 + 15.25, abs=2.5)  # the flat stretch, the gap and its settling
