"""A folder with files beside its recordings, and nights without archives."""

import json

import pytest

from tests.batch.test_batch import rows, serially
from tests.batch.test_storage import STAGES
from tests.cli.conftest import called

MARKS = "onset,duration,text\n5,1,cough\n"
BESIDE = ["--stages", ".stages.csv", "--marks", ".marks.csv"]


@pytest.fixture
def scored(monkeypatch):
    """Keys of the nights that were scored, in this process."""
    calls: list[str] = []
    serially(monkeypatch, calls)
    return calls


@pytest.fixture
def folder(write_night, tmp_path):
    """Two recordings, the first with stages and marks beside it."""
    for k in (1, 2):
        write_night(tmp_path / "in" / f"n{k}.edf", k)
    (tmp_path / "in" / "n1.stages.csv").write_text(STAGES, "utf-8")
    (tmp_path / "in" / "n1.marks.csv").write_text(MARKS, "utf-8")
    return tmp_path / "in"


def test_stages_and_marks_beside_each_recording_are_those_that_score_takes(folder, tmp_path, scored):
    out, alone = tmp_path / "out", tmp_path / "alone"
    done = called("batch", folder, "--out", out, *BESIDE)
    assert done.code == 0
    assert (
        "1 of 2 recordings have no '.stages.csv' file beside them and are scored without it: n2.edf"
        in done.err
    )
    named = ["--stages", folder / "n1.stages.csv", "--marks", folder / "n1.marks.csv"]
    assert called("score", folder / "n1.edf", "--out", alone, *named).code == 0
    assert (out / "n1.night.h5").read_bytes() == (alone / "n1.night.h5").read_bytes()
    assert [row["night"] for row in rows(out)] == ["n1", "n2"]


def test_a_night_is_scored_again_where_its_stages_changed_or_came(folder, tmp_path, scored):
    out = tmp_path / "out"
    said = ["batch", folder, "--out", out, *BESIDE]
    assert called(*said).code == 0
    assert called(*said).code == 0
    assert scored == ["n1", "n2"]
    (folder / "n1.stages.csv").write_text(STAGES.replace("N2", "N3"), "utf-8")
    (folder / "n2.stages.csv").write_text(STAGES, "utf-8")
    assert called(*said).code == 0
    assert scored == ["n1", "n2", "n1", "n2"]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (
            ["--stages", ".hypnogram.csv"],
            "no recording has a file beside it whose name ends in '.hypnogram.csv'",
        ),
        (["--stages", "in/n1.stages.csv"], "--stages 'in/n1.stages.csv' is no ending"),
        (["--marks", "."], "--marks '.' is no ending"),
        (["--stages", ".csv", "--marks", ".csv"], "--stages and --marks both name files that end in '.csv'"),
    ],
)
def test_an_ending_that_names_nothing_is_wrong_usage(said, why, folder, tmp_path):
    done = called("batch", folder, "--out", tmp_path / "out", *said)
    assert done.code == 2
    assert why in done.err


def test_without_archives_the_other_files_and_the_numbers_are_the_same(study, tmp_path, scored, contents):
    file = study(nights=2)
    one, other = tmp_path / "one", tmp_path / "other"
    assert called("batch", file, "--out", one).code == 0
    done = called("batch", file, "--out", other, "--no-archives")
    assert done.code == 0
    assert "review" not in done.out + done.err
    without = {
        name: digest for name, digest in contents(one).items() if not name.endswith((".h5", ".files.json"))
    }
    assert {n: d for n, d in contents(other).items() if not n.endswith(".files.json")} == without
    listed = json.loads((other / "P01" / "n1.files.json").read_text("utf-8"))["files"]
    assert ".night.h5" not in listed
    assert ".summary.json" in listed
    assert called("batch", file, "--out", other, "--no-archives").code == 0
    assert len(scored) == 4
    assert called("batch", file, "--out", other).code == 0
    assert contents(other) == contents(one)


def test_nights_without_archives_count_as_scored_where_a_study_is_changed(study, tmp_path, scored):
    file, out = study(nights=2), tmp_path / "out"
    assert called("batch", file, "--out", out, "--no-archives").code == 0
    file.write_text(f'baseline = "splint"\n{file.read_text("utf-8")}', "utf-8")
    assert called("batch", file, "--out", out, "--no-archives").code == 0
    lines = file.with_name("study.fixed.jsonl").read_text("utf-8").splitlines()
    assert [json.loads(line)["scored"] for line in lines] == [0, 2]


def test_an_archive_that_stands_there_is_never_left_beside_a_night_without_one(
    folder, tmp_path, scored, contents
):
    out = tmp_path / "out"
    assert called("batch", folder, "--out", out).code == 0
    before = contents(out)
    (folder / "n3.edf").write_bytes((folder / "n1.edf").read_bytes()[:-2] + b"\1\0")
    done = called("batch", folder, "--out", out, "--no-archives")
    assert done.code == 1
    assert "n1.edf was not scored: n1.night.h5 of an earlier run in 'out'" in done.err
    assert "3 nights in one table" in done.out
    after = contents(out)
    assert {name: after[name] for name in before if name != "nights.csv"} == {
        name: digest for name, digest in before.items() if name != "nights.csv"
    }
    assert (out / "n3.summary.json").is_file()
    assert not (out / "n3.night.h5").exists()
    for k in (1, 2):
        (out / f"n{k}.night.h5").unlink()
    assert called("batch", folder, "--out", out, "--no-archives").code == 0


def test_an_archive_that_is_put_beside_a_night_without_one_is_said(folder, tmp_path, scored):
    out = tmp_path / "out"
    assert called("batch", folder, "--out", out, "--no-archives").code == 0
    (out / "n1.night.h5").write_bytes(b"an archive of another day")
    done = called("batch", folder, "--out", out, "--no-archives")
    assert done.code == 1
    assert "n1.night.h5 of an earlier run in 'out'" in done.err
