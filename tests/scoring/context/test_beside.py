"""Stages and sound from files of their own, and words for positions."""

import csv
import json
import wave

import numpy as np
import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.edf_writer import EdfSignal, write_edf
from sleepbrux.recording.opening import open_recording
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.signal.surroundings.companions import CompanionFiles, open_companions
from sleepbrux.synth.channels import write_around
from tests.cli.conftest import called


@pytest.fixture(scope="module")
def jaw_only(planned, tmp_path_factory):
    path = tmp_path_factory.mktemp("beside") / "jaw.edf"
    write_around(planned, path, channels=("position",), stages=False)
    return path


@pytest.fixture(scope="module")
def stages(planned, jaw_only):
    path = jaw_only.with_name("stages.tsv")
    cues = [c for c in planned.plan.cues if c.text.startswith("Sleep stage")]
    rows = "".join(f"{c.start_s}\t{c.duration_s}\t{c.text.split()[-1]}\n" for c in cues)
    path.write_text("onset\tduration\tstage\n" + rows, encoding="utf-8")
    return path


def sound_file(path, seconds, rate=4000):
    """Silence with a scrape from second 30 to 33 of the file."""
    rng = np.random.default_rng(0)
    t = np.arange(seconds * rate) / rate
    signal = 20 * rng.normal(size=len(t))
    signal += np.where((t >= 30) & (t < 33), 2000 * np.diff(rng.normal(size=len(t) + 2), 2), 0)
    write_edf(path, [EdfSignal("Audio", rate)], [(signal.astype(np.int16),)], onsets=list(range(seconds)))
    return path


def test_the_command_takes_stages_sound_and_words_for_positions(jaw_only, stages, night, tmp_path):
    sound = sound_file(tmp_path / "room.edf", 120)
    done = called(
        "score",
        jaw_only,
        "--out",
        tmp_path / "out",
        "--stages",
        stages,
        "--sound",
        sound,
        "--sound-start",
        1000,
        "--position",
        "1=supine",
    )
    assert done.code == 0, done.err
    scored = load_night(tmp_path / "out" / "jaw.night.h5")
    surroundings = scored.swept.surroundings
    assert surroundings.stages.origin == "stages from stages.tsv"
    assert surroundings.position.names == ("supine", "code 2")
    assert (surroundings.sound.rise_db[surroundings.sound.within(1030.5, 1032.5)] > 15).all()
    ours = scored.measures["episodes_per_hour_of_sleep"].value
    assert ours == pytest.approx(night.measures["episodes_per_hour_of_sleep"].value, rel=0.1)
    summary = json.loads((tmp_path / "out" / "jaw.summary.json").read_text("utf-8"))
    files = [f["name"] for f in summary["surroundings"]["files"]]
    assert files == ["stages.tsv", "room.edf"]
    text = (tmp_path / "out" / "jaw.episodes.csv").read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert {row["stage"] for row in rows} & {"n2", "n3"}
    assert {row["in_movement"] for row in rows} == {""}
    assert (tmp_path / "out" / "jaw.report.html").read_text("utf-8").count("supine") > 1


def test_a_study_file_names_them_too(jaw_only, stages, tmp_path):
    for path in (jaw_only, stages):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "study.toml").write_text(
        'pseudonym = "P"\n[positions]\n1 = "supine"\n[[night]]\nid = "n1"\nrecording = "jaw.edf"\n'
        'condition = "none"\nstages = "stages.tsv"\n',
        encoding="utf-8",
    )
    done = called("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    night = load_night(tmp_path / "out" / "n1.night.h5")
    assert night.swept.surroundings.stages is not None
    assert night.swept.surroundings.position.names[0] == "supine"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--stages", "none.tsv"), "none.tsv"),
        (("--sound", "none.wav"), "none.wav"),
        (("--sound-start", "5"), "give both"),
        (("--position", "supine"), "write --position 1=supine"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(jaw_only, tmp_path, options, said):
    done = called("score", jaw_only, "--out", tmp_path / "out", *options)
    assert done.code in (1, 2)
    assert said in done.err
    assert "Traceback" not in done.err


def test_files_of_one_recording_are_refused_for_two(jaw_only, stages, tmp_path):
    done = called("score", jaw_only, jaw_only, "--out", tmp_path, "--stages", stages)
    assert done.code == 2
    assert "belong to one recording" in done.err


def test_a_sound_of_another_night_is_refused(jaw_only, tmp_path):
    recording = open_recording(jaw_only)
    sound = sound_file(tmp_path / "room.edf", 40)
    with pytest.raises(RecordingError, match="another night"):
        open_companions(recording, CompanionFiles(sound=sound, sound_start_s=90_000.0))


def test_a_sound_whose_start_is_not_known_is_taken_from_the_start_with_a_warning(jaw_only, tmp_path):
    sound = sound_file(tmp_path / "room.edf", 40)
    night = score_file(jaw_only, Request(companions=CompanionFiles(sound=sound)))
    assert night.swept.surroundings.sound.start_s == 0
    (note,) = [n for n in night.notes if n.code.startswith("sound-start")]
    assert (note.severity, "not known" in note.text) == ("warning", True)


def test_a_wav_file_is_sound_whatever_its_channel_is_called(jaw_only, tmp_path):
    rate = 8000
    rng = np.random.default_rng(0)
    t = np.arange(60 * rate) / rate
    signal = 30 * rng.normal(size=len(t))
    signal += np.where((t >= 30) & (t < 33), 3000 * np.diff(rng.normal(size=len(t) + 2), 2), 0)
    with wave.open(str(tmp_path / "room.wav"), "wb") as file:
        file.setparams((1, 2, rate, len(t), "NONE", ""))
        file.writeframes(np.clip(signal, -32768, 32767).astype("<i2").tobytes())
    night = score_file(
        jaw_only, Request(companions=CompanionFiles(sound=tmp_path / "room.wav", sound_start_s=500.0))
    )
    sound = night.swept.surroundings.sound
    scrape = sound.within(530.5, 532.5)
    assert (sound.grinding[scrape] == 1).all()
    assert (sound.rise_db[scrape] > 15).all()
