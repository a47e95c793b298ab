"""``sleepbrux chair``: what it asks for, refuses, and leaves."""

import subprocess
import sys
from dataclasses import replace

import pytest

from sleepbrux.live.words import CAUTIONS
from tests.live.fake import INFO, chair_plan, rendered, streamed

from .conftest import called

STUDY = 'pseudonym = "P01"\nconditions = ["none", "splint"]\n'


@pytest.fixture(scope="module")
def signal():
    return rendered(chair_plan(("splint",), levels={"Clench with splint": 0.8}))


@pytest.fixture
def study(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY)
    return path


@pytest.fixture
def streams(monkeypatch, signal):
    """What is found on this machine; a session runs without a page, as fast as it can."""
    return streamed(monkeypatch, signal)


def test_a_session_leaves_recording_page_and_table_and_says_what_comes_next(study, streams, tmp_path):
    done = called("chair", study, "--by-itself", "--person", 0, "--no-open")
    assert done.code == 0, done.err
    for caution in CAUTIONS:
        assert caution in done.out
    (recording,) = tmp_path.glob("P01.chair-*.bdf")
    assert (tmp_path / f"{recording.stem}.clench.html").exists()
    assert '"person": "P01"' in (tmp_path / f"{recording.stem}.clench.json").read_text("utf-8")
    assert "reference" in done.err
    again = called("clench", recording)
    assert again.code == 0
    assert "splint: left masseter " in again.out
    assert called("reference", recording).code == 0


def test_the_recording_is_a_reference_of_the_study(study, streams, tmp_path):
    called("chair", study, "--by-itself", "--person", 0, "--no-open")
    (recording,) = tmp_path.glob("P01.chair-*.bdf")
    study.write_text(
        STUDY + f'\n[[reference]]\nid = "chair"\nrecording = "{recording.name}"\nteeth = "natural"\n'
    )
    done = called("clench", study)
    assert done.code == 0, done.err
    assert "splint: left masseter " in done.out


def test_streams_are_listed_with_name_channels_rate_and_unit(streams):
    done = called("chair", "--list")
    assert done.out.strip() == (
        "1 stream of samples on this machine\n"
        "amp (EMG, 2 channels: EMG Masseter L, EMG Masseter R; 1000 Hz; microvolts; id amp-1)"
    )


def test_one_minute_says_whether_the_electrodes_hold(streams, tmp_path):
    done = called("chair", "--electrodes", "--out", tmp_path)
    assert done.code == 0, done.err
    assert ": usable (" in done.out
    assert "nothing about the person" in done.out
    assert list(tmp_path.glob("electrodes-*.bdf"))


def test_no_stream_no_study_and_no_pseudonym_are_one_sentence_each(study, streams):
    done = called("chair")
    assert done.code == 2
    assert "name the study file" in done.err
    study.write_text('pseudonym = "FILL IN"\n')
    done = called("chair", study)
    assert done.code == 2
    assert "pseudonym is still to be filled in" in done.err
    study.write_text(STUDY)
    streams.clear()
    done = called("chair", study)
    assert done.code == 1
    assert "no stream was found on this machine" in done.err
    assert "Traceback" not in done.err


def test_a_stream_that_does_not_say_its_unit_is_asked_for_it_and_leaves_no_file(study, streams, tmp_path):
    streams[0].info = replace(INFO, units=("", ""))
    done = called("chair", study)
    assert done.code == 1
    assert "say it with" in done.err
    assert not list(tmp_path.glob("*.bdf"))


def test_help_names_the_cautions_and_loads_no_live_library():
    code = (
        "import sys\nfrom sleepbrux.cli import main\n"
        "try:\n    main(['chair', '--help'])\nexcept SystemExit as e:\n    assert e.code == 0\n"
        "assert not {'pylsl', 'numpy'} & set(sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    said = " ".join(done.stdout.split())
    assert "Stop when clenching hurts" in said
    assert "isolated equipment only" in said
