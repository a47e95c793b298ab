"""Recordings in a store: copied, scored as those of this machine, scored again where they changed."""

import importlib
import tempfile
from pathlib import PurePosixPath

import fsspec
import pytest

from sleepbrux.batch import run_batch, work
from sleepbrux.batch.tasks import Common, plan
from sleepbrux.core.errors import UsageError
from sleepbrux.recording import storage
from sleepbrux.recording.storage import find
from tests.batch.test_batch import rows, serially
from tests.cli.conftest import called

STAGES = "onset,duration,stage\n0,60,W\n60,60,N2\n"


@pytest.fixture
def store():
    """An empty store in memory."""
    made = fsspec.filesystem("memory")
    made.store.clear()
    made.pseudo_dirs[:] = [""]
    yield made
    made.store.clear()


@pytest.fixture
def scored(monkeypatch):
    """Keys of the nights that were scored, in this process."""
    calls: list[str] = []
    serially(monkeypatch, calls)
    return calls


def test_a_stored_night_gives_the_bytes_of_one_on_this_machine_and_its_copy_goes(
    store, write_night, tmp_path, scored, contents, monkeypatch
):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    night = write_night(tmp_path / "in" / "a" / "n1.edf")
    store.pipe("/nights/a/n1.edf", night.read_bytes())
    one, other = tmp_path / "one", tmp_path / "other"
    assert called("batch", "memory://nights", "--out", one, "--mvc-uv", "180").code == 0
    assert called("batch", tmp_path / "in", "--out", other, "--mvc-uv", "180").code == 0
    assert {k: v for k, v in contents(one).items() if k != "nights.csv"} == {
        k: v for k, v in contents(other).items() if k != "nights.csv"
    }
    (here,), (there,) = rows(one), rows(other)
    assert (here.pop("path"), there.pop("path")) == ("memory://nights/a/n1.edf", "a/n1.edf")
    assert here == there
    assert list(temporary.iterdir()) == []


def test_only_a_stored_night_that_changed_is_scored_again(store, write_night, tmp_path, scored):
    for k in (1, 2):
        store.pipe(f"/nights/n{k}.edf", write_night(tmp_path / "in" / f"n{k}.edf", k).read_bytes())
    assert run_batch(["memory://nights"], tmp_path / "out").failed == 0
    assert scored == ["n1", "n2"]
    assert run_batch(["memory://nights"], tmp_path / "out").unchanged == 2
    store.pipe("/nights/n2.edf", write_night(tmp_path / "in" / "n2.edf", 5).read_bytes())
    assert run_batch(["memory://nights"], tmp_path / "out").unchanged == 1
    assert scored == ["n1", "n2", "n2"]


def test_a_store_that_does_not_say_when_an_object_changed_has_its_nights_scored_each_time(
    store, write_night, tmp_path, scored, monkeypatch
):
    store.pipe("/nights/n1.edf", write_night(tmp_path / "n1.edf").read_bytes())
    monkeypatch.setattr(storage, "_TIMES", ())
    for _ in range(2):
        assert run_batch(["memory://nights"], tmp_path / "out").failed == 0
    assert scored == ["n1", "n1"]


def test_a_night_that_changes_or_goes_between_list_and_copy_is_a_row_with_its_reason(
    store, write_night, tmp_path, monkeypatch
):
    for k in (1, 2):
        store.pipe(f"/nights/n{k}.edf", write_night(tmp_path / "in" / f"n{k}.edf", k).read_bytes())
    first, second = plan(["memory://nights"], tmp_path / "out", Common())
    store.pipe("/nights/n1.edf", write_night(tmp_path / "in" / "n1.edf", 7).read_bytes())
    store.rm("/nights/n2.edf")
    problems = [work.score_task(task, tmp_path / "out").problem for task in (first, second)]
    assert problems == [
        "memory://nights/n1.edf: it changed since the nights were listed; run again",
        "memory://nights/n2.edf: nothing lies there; check the address",
    ]


def test_stages_and_accepted_clenches_beside_a_stored_night_are_taken(store, write_night, tmp_path, scored):
    night = write_night(tmp_path / "in" / "n1.edf")
    for path, data in (("n1.edf", night.read_bytes()), ("n1.stages.csv", STAGES.encode())):
        store.pipe(f"/nights/{path}", data)
        (night.parent / path).write_bytes(data)
    (night.parent / "n1.edf.clenches.toml").write_text("no = 'clenches'\n", "utf-8")
    store.pipe("/nights/n1.edf.clenches.toml", b"no = 'clenches'\n")
    one, other = tmp_path / "one", tmp_path / "other"
    said = ["--stages", ".stages.csv"]
    assert called("batch", "memory://nights", "--out", one, *said).code == 0
    assert called("batch", night.parent, "--out", other, *said).code == 0
    assert (one / "n1.night.h5").read_bytes() == (other / "n1.night.h5").read_bytes()
    assert b"clenches.toml" in (one / "n1.summary.json").read_bytes()


def test_a_folder_of_the_local_store_is_scored_by_worker_processes(write_night, tmp_path):
    night = write_night(tmp_path / "in" / "n1.edf")
    (night.parent / "n2.wav").write_bytes(b"RIFF")
    done = called("batch", f"file://{night.parent}", "--out", tmp_path / "out", "--workers", "1")
    assert done.code == 0
    assert "n2.wav is no recording to score: in a folder of a store only EDF and BDF" in done.err
    assert [row["night"] for row in rows(tmp_path / "out")] == ["n1"]


def test_what_is_hidden_or_cannot_be_named_is_passed_over_with_a_reason(store):
    for name in ("._n1.edf", "n1.edf", ".old/n1.edf", "n1?a.edf"):
        store.pipe(f"/nights/{name}", b"")
    found, others = find("memory://nights")
    assert [one.address for one in found] == ["memory://nights/n1.edf"]
    assert [
        (place.rpartition("nights/")[2], why.partition(",")[0].partition(";")[0]) for place, why in others
    ] == [
        ("._n1.edf", "it is hidden"),
        (".old/n1.edf", "it is hidden"),
        ("n1?a.edf", "its name holds a question mark"),
    ]


def test_a_whole_store_is_looked_through(store):
    store.pipe("/nights/n1.edf", b"")
    (one,), _ = find("memory://")
    assert (one.address, one.folder) == ("memory://nights/n1.edf", PurePosixPath("nights"))


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("memory://empty", "nothing lies there; check the address"),
        ("memory://texts", "holds no recordings (EDF, BDF)"),
        ("memory://texts/study.toml", "holds no recordings"),
        ("nowhere://bucket/n1.edf", "cannot be opened: Protocol not known"),
        ("s3://key:secret@bucket/n1.edf", "holds an account, a key or a signature"),
        ("https://host/n1.edf?X-Signature=secret", "holds an account, a key or a signature"),
    ],
)
def test_an_address_that_is_none_is_wrong_usage_in_one_sentence(address, why, store, tmp_path):
    store.pipe("/texts/study.toml", b"")
    done = called("batch", address, "--out", tmp_path / "out")
    assert done.code == 2
    assert why in done.err
    assert "secret" not in done.err
    assert "Traceback" not in done.err


def test_a_package_for_the_store_that_is_not_there_is_named(tmp_path, monkeypatch):
    def lacking(_):
        raise ImportError("Install s3fs to access S3")

    monkeypatch.setattr(importlib.import_module("fsspec.core"), "url_to_fs", lacking)
    with pytest.raises(UsageError, match=r"^s3:// needs one more package than fsspec: Install s3fs"):
        run_batch(["s3://bucket/n1.edf"], tmp_path / "out")
