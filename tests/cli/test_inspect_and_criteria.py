"""``inspect`` and ``criteria``."""

import json

import numpy as np
import pytest

from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.recording import edf_writer
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.survey import survey
from tests.cli.conftest import SECONDS, write_edf
from tests.nights import LABELS


def test_inspect_prints_the_agreed_json(run, edf):
    done = run("inspect", edf, "--json")
    assert done.code == 0
    seen = json.loads(done.out)
    assert seen["duration_s"] == SECONDS
    assert seen["gaps"] == []
    assert [c["label"] for c in seen["channels"]] == LABELS
    assert [c["side"] for c in seen["channels"]] == ["left", "right"]
    assert {c["role"] for c in seen["channels"]} == {"jaw"}
    assert {c["rate"] for c in seen["channels"]} == {"1000"}
    assert {c["unit"] for c in seen["channels"]} == {"uV"}
    assert {c["samples"] for c in seen["channels"]} == {SECONDS * 1000}
    assert [m["text"] for m in seen["marks"]] == ["Rest"] + ["Clench natural teeth"] * 3
    for note in seen["notes"]:
        assert set(note) == {"code", "severity", "text"}


def test_a_gap_is_said_with_its_ends(run, tmp_path):
    path = tmp_path / "gap.edf"
    signal = np.arange(1000, dtype=np.int16)
    records = ((signal,) for _ in range(4))
    edf_writer.write_edf(path, [edf_writer.EdfSignal(LABELS[0], 1000)], records, onsets=[0, 1, 5, 6])
    done = run("inspect", path)
    assert done.code == 0
    assert "gap from 2.00 s to 5.00 s" in done.out


def test_the_extremes_are_those_of_all_samples(edf):
    recording = open_recording(edf)
    from edfio import read_edf

    for channel, signal in zip(recording.channels, read_edf(edf).signals, strict=True):
        seen = survey(recording, channel)
        assert seen.lowest == pytest.approx(signal.data.min(), abs=1e-9)
        assert seen.highest == pytest.approx(signal.data.max(), abs=1e-9)
        expected = np.percentile(np.abs(signal.data), 99.9)
        assert seen.p99_9_abs == pytest.approx(expected, abs=1e-9)


def test_the_extremes_of_floats():
    data = np.random.default_rng(0).normal(size=(1, 5001))
    recording = from_array(data, 1000, ["EMG"])
    seen = survey(recording, recording.channels[0])
    assert seen.p99_9_abs == pytest.approx(np.percentile(np.abs(data), 99.9), abs=1e-12)


def test_inspect_for_people_shows_channels_marks_and_quality(run, edf):
    text = run("inspect", edf).out
    for word in (*LABELS, "Clench natural teeth", "usable"):
        assert word in text


def test_a_header_cannot_steer_the_terminal(run, tmp_path):
    edf = write_edf(tmp_path / "x.edf")
    raw = bytearray(edf.read_bytes())
    raw[256 : 256 + 16] = b"EMG\x1b[2JMass L    "
    edf.write_bytes(raw)
    assert "\x1b" not in run("inspect", edf).out


def test_a_file_that_cannot_be_read_gives_code_1_and_the_others_are_shown(run, edf, tmp_path):
    bad = tmp_path / "bad.edf"
    bad.write_bytes(b"")
    done = run("inspect", bad, edf)
    assert done.code == 1
    assert "bad.edf" in done.err
    assert LABELS[0] in done.out


def test_criteria_lists_every_rule_set(run):
    done = run("criteria")
    assert [line.split()[0] for line in done.out.splitlines()] == criterion_ids()


@pytest.mark.parametrize("name", criterion_ids())
def test_criteria_show_prints_every_value_with_source_and_status(run, name):
    text = run("criteria", "show", name).out
    criterion = load_criterion(name)
    for path, value in criterion.values():
        if value is not None:
            (line,) = [x for x in text.splitlines() if x.strip().startswith(path + " ")]
            note = criterion.sources[path]
            assert f"[{note.status}]" in line
            assert note.source in line
    assert criterion.digest() in text


def test_an_unknown_criterion_is_wrong_usage_and_lists_the_known(run):
    done = run("criteria", "show", "nonsense")
    assert done.code == 2
    assert "lavigne1996" in done.err


def test_a_rule_file_of_ones_own_is_checked(run, tmp_path):
    import importlib.resources

    text = (importlib.resources.files("sleepbrux.criteria") / "presets/aasm.toml").read_text("utf-8")
    own = tmp_path / "own.toml"
    own.write_text(text.replace('id = "aasm"', 'id = "own"'), encoding="utf-8")
    assert run("criteria", "check", own).code == 0
    own.write_text(text.replace("minimum_s = 0.25", "minimum_s = -1"), encoding="utf-8")
    done = run("criteria", "check", own)
    assert done.code == 1
    assert "own.toml" in done.err
    assert "burst.minimum_s" in done.err
