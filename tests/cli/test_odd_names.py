"""Recordings whose names are no UTF-8, or steer a terminal: every command goes on and shows them escaped."""

import json
import os
import sys
import time

import pytest

from tests.cli.conftest import write_edf

pytestmark = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are UTF-8 there")
NO_UTF8 = os.fsdecode(b"night\xff.edf")
SHOWN = "night\\xff"
STEERING = "n\x1b[2J\n\u202e.edf"


@pytest.fixture
def folder(tmp_path):
    """A folder with two odd names and one plain recording."""
    here = tmp_path / "in"
    for k, name in enumerate((NO_UTF8, STEERING, "plain.edf")):
        write_edf(here / "made.edf", seed=k).rename(here / name)
    return here


def printed(done):
    text = done.out + done.err
    assert "Traceback" not in text
    assert not [c for c in text if not c.isprintable() and c != "\n"], text
    return text


@pytest.mark.shows("wrong-person")
def test_score_goes_on_after_a_name_that_is_no_utf_8_and_writes_under_a_safe_stem(run, folder, tmp_path):
    out = tmp_path / "out"
    done = run("score", *sorted(folder.iterdir()), "--out", out)
    assert done.code == 0, done.err
    assert SHOWN in printed(done)
    assert len(list(out.glob("*.night.h5"))) == 3
    assert (out / "night_xff.night.h5").is_file()
    assert json.loads((out / "night_xff.summary.json").read_text("utf-8"))["input_sha256"]


@pytest.mark.shows("hostile-file")
def test_batch_goes_on_after_a_name_that_is_no_utf_8_and_holds_it_done(run, folder, tmp_path):
    out = tmp_path / "out"
    time.sleep(2.1)  # a file that was just written is read again before it is called unchanged
    done = run("batch", folder, "--out", out, "--workers", 1)
    assert done.code == 0, done.err
    assert SHOWN in printed(done)
    assert "night\\xff" in (out / "nights.csv").read_text("utf-8")
    again = run("batch", folder, "--out", out, "--workers", 1)
    assert "3 of 3 nights are done already" in printed(again)


def test_a_recording_that_fails_under_an_odd_name_is_one_row_of_the_batch(run, folder, tmp_path):
    (folder / os.fsdecode(b"bad\xfe.edf")).write_bytes(b"0       cut off")
    done = run("batch", folder, "--out", tmp_path / "out", "--workers", 1)
    assert done.code == 1
    assert "bad\\xfe.edf was not scored" in printed(done)
    assert "3 of 4" not in done.err
    assert "1 of 4 nights were not scored" in done.err


@pytest.mark.parametrize("more", [[], ["--json"], ["--after-night"], ["--after-night", "--json"]])
def test_inspect_shows_such_a_recording(run, folder, more):
    done = run("inspect", *sorted(folder.iterdir()), *more)
    assert done.code == 0, done.err
    shown = printed(done)
    if "--json" in more:
        rows = json.loads(done.out)
        assert sorted(row["name"] for row in rows) == ["n\\u001b[2J\\u000a\\u202e", SHOWN, "plain"]
    else:
        assert SHOWN in shown


def test_a_study_is_drafted_without_the_name_that_no_study_file_can_hold(run, tmp_path):
    here = tmp_path / "in"
    lights = [(5.0, "Lights off"), (230.0, "Lights on")]
    for name in (NO_UTF8, "plain.edf"):
        write_edf(here / "made.edf", lights=lights).rename(here / name)
    done = run("study", "new", here)
    assert done.code == 0, done.err
    assert "left out: night\\xff.edf: " in printed(done)
    text = (here / "study.toml").read_text("utf-8")
    assert "plain.edf" in text
    assert "night" + "\\xff" not in text


def test_deidentify_copies_such_a_recording(run, folder, tmp_path):
    done = run(
        "deidentify",
        folder / NO_UTF8,
        "--out",
        tmp_path / "copy.edf",
        "--pseudonym",
        "P1",
        "--key-file",
        tmp_path / "key",
    )
    printed(done)
    assert done.code == 0, done.err
    assert (tmp_path / "copy.edf").is_file()


def test_deidentify_writes_to_a_name_that_is_no_utf_8(run, folder, tmp_path):
    done = run(
        "deidentify",
        folder / "plain.edf",
        "--out",
        tmp_path / NO_UTF8,
        "--pseudonym",
        "P1",
        "--key-file",
        tmp_path / NO_UTF8.replace("edf", "key"),
    )
    assert done.code == 0, done.err
    assert SHOWN in printed(done)


@pytest.mark.parametrize(
    "command",
    [
        ["reference"],
        ["clench"],
        ["robustness"],
        ["report"],
        ["letter"],
        ["export"],
        ["trace"],
        ["summary"],
        ["compare"],
        ["agreement"],
        ["cohort"],
        ["study", "check"],
        ["protocol"],
        ["criteria", "check"],
        ["review"],
    ],
)
def test_a_file_of_such_a_name_ends_every_other_command_in_a_sentence(run, tmp_path, command):
    odd = tmp_path / NO_UTF8
    odd.write_bytes(b"nothing that any command reads")
    outs = {
        "agreement": [odd, "--out", tmp_path / "out"],
        "cohort": ["--out", tmp_path / "out"],
        "letter": ["--out", tmp_path / "l.pdf"],
        "export": ["--to", "csv", "--out", tmp_path / "x"],
    }
    done = run(*command, odd, *outs.get(command[0], []))
    assert done.code in (1, 2), done
    assert printed(done)
