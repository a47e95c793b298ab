"""Many nights: the same results as one by one, whatever the workers and the order; resumed, never redone."""

import csv
import hashlib
import json
import os
import re
import time

import pytest

from sleepbrux.batch import ledger, pool, run_batch, work
from sleepbrux.batch.run import Watch
from sleepbrux.batch.tasks import Common, plan
from sleepbrux.cli import main
from sleepbrux.core.errors import UsageError
from tests.cli.conftest import called


def rows(out):
    with (out / "nights.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def serially(monkeypatch, calls=None):
    """Run the tasks in this process; notes which were really scored."""
    scored = work._scored

    def counted(task, out):
        if calls is not None:
            calls.append(task.key)
        return scored(task, out)

    monkeypatch.setattr(work, "_scored", counted)
    monkeypatch.setattr(
        "sleepbrux.batch.run.run_pool",
        lambda tasks, out, workers: ((task, work.score_task(task, out)) for task in tasks),
    )


def test_a_batch_records_what_each_study_fixed_before_its_first_night(study, tmp_path, monkeypatch):
    serially(monkeypatch)
    files = [study(), study("P02")]
    run_batch(files, tmp_path / "out")
    records = [file.with_name("study.fixed.jsonl") for file in files]
    before = [record.read_text("utf-8") for record in records]
    for text in before:
        (line,) = map(json.loads, text.splitlines())
        assert (line["kind"], line["scored"]) == ("fixed", 0)
    files[0].write_text(f'baseline = "splint"\n{files[0].read_text("utf-8")}', "utf-8")
    run_batch(files, tmp_path / "out")
    _, second = (json.loads(line) for line in records[0].read_text("utf-8").splitlines())
    assert (second["kind"], second["scored"]) == ("changed", 3)
    assert second["before"] == hashlib.sha256(before[0].strip().encode()).hexdigest()
    assert records[1].read_text("utf-8") == before[1]


def test_a_record_that_cannot_be_read_is_said_and_stops_no_night(study, tmp_path, monkeypatch):
    serially(monkeypatch)
    file = study()
    file.with_name("study.fixed.jsonl").write_text("no line\n", "utf-8")
    said = []
    batch = run_batch([file], tmp_path / "out", watch=Watch(on_warning=said.append))
    assert batch.failed == 0
    assert len(said) == 1
    assert "line 1 cannot be read" in said[0]


def aged(monkeypatch):
    """Let every file count as still, as after two seconds."""
    monkeypatch.setattr(ledger, "STILL_NS", -1)


def command(*arguments):
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    return stop.value.code


def without_others(page):
    """A page without what it says of the person's other nights."""
    return re.sub(r"Other nights with [^<]*", "", page.read_text("utf-8"))


def test_workers_and_order_change_no_byte_and_a_study_is_scored_as_score_does(
    study, write_night, tmp_path, contents
):
    file = study()
    for k in range(4):
        write_night(tmp_path / "loose" / f"f{k % 2}" / f"x{k}.edf", 10 + k)
    inputs = [file, tmp_path / "loose"]
    run_batch(inputs, tmp_path / "one", workers=1)
    run_batch(inputs[::-1], tmp_path / "two", workers=2)
    one, two = contents(tmp_path / "one"), contents(tmp_path / "two")
    assert one.pop("nights.csv") != two.pop("nights.csv")  # rows stand in input order
    assert one == two
    assert sorted(map(str, rows(tmp_path / "one"))) == sorted(map(str, rows(tmp_path / "two")))
    assert command("score", "--study", file, "--out", tmp_path / "single") == 0
    single = contents(tmp_path / "single")
    own = {name.removeprefix("P01/"): digest for name, digest in one.items() if name.startswith("P01/")}
    # a page of `score` has a line on the person's other nights, whose order a batch must not depend on
    pages = {name for name in own if name.endswith((".report.html", ".files.json"))}
    assert single.keys() == own.keys()
    assert {n: d for n, d in single.items() if n not in pages} == {
        n: d for n, d in own.items() if n not in pages
    }
    for page in (name for name in pages if name.endswith(".report.html")):
        assert without_others(tmp_path / "single" / page) == without_others(tmp_path / "one" / "P01" / page)


def test_rows_stand_in_input_order_and_a_bad_night_is_a_row_with_its_reason(
    study, tmp_path, monkeypatch, capsys
):
    serially(monkeypatch)
    file = study(nights=3)
    (file.parent / "n2.edf").write_bytes(b"no recording")
    bad = study("P02")
    bad.write_text("pseudonym = 3", "utf-8")
    assert command("batch", bad, file, "--out", tmp_path / "out", "--workers", "1") == 1
    found = rows(tmp_path / "out")
    assert [(r["person"], r["night"]) for r in found] == [
        ("P02", ""),
        *(("P01", f"n{k}") for k in (1, 2, 3)),
    ]
    assert [bool(r["problem"]) for r in found] == [True, False, True, False]
    assert found[2]["problem"].startswith("n2.edf: ")
    assert float(found[1]["episodes_per_hour"]) > 0
    said = capsys.readouterr()
    assert "2 of 4 nights were not scored" in said.err


def test_only_what_changed_is_scored_again(study, tmp_path, monkeypatch):
    calls = []
    serially(monkeypatch, calls)
    aged(monkeypatch)
    file, out = study(), tmp_path / "out"

    def again():
        calls.clear()
        run_batch([file], out)
        return calls.copy()

    assert again() == ["P01/n1", "P01/n2", "P01/n3"]
    assert again() == []
    (out / "P01" / "n2.report.html").unlink()
    assert again() == ["P01/n2"]
    raw = bytearray((file.parent / "n3.edf").read_bytes())
    raw[-1500] ^= 1
    (file.parent / "n3.edf").write_bytes(raw)
    assert again() == ["P01/n3"]
    text = file.read_text("utf-8")
    file.write_text(text.replace('"splint"', '"other"'), "utf-8")
    assert again() == ["P01/n2"]
    file.write_text("criterion = 'submaximal_12mvc'\n" + file.read_text("utf-8"), "utf-8")
    assert again() == ["P01/n1", "P01/n2", "P01/n3"]
    raw = bytearray((file.parent / "clench.edf").read_bytes())
    raw[-1500] ^= 1
    (file.parent / "clench.edf").write_bytes(raw)
    assert again() == ["P01/n1", "P01/n2", "P01/n3"]
    monkeypatch.setattr(ledger, "__version__", "9.9.9")
    assert again() == ["P01/n1", "P01/n2", "P01/n3"]


def test_a_rule_file_that_changed_is_a_changed_criterion(write_night, tmp_path, monkeypatch):
    from sleepbrux.criteria.loading import _folder

    calls = []
    serially(monkeypatch, calls)
    aged(monkeypatch)
    night = write_night(tmp_path / "a.edf")
    rules = tmp_path / "rules.toml"
    text = (_folder() / "aasm.toml").read_text("utf-8").replace('id = "aasm"', 'id = "mine"')
    rules.write_text(text, "utf-8")
    for _ in range(2):
        run_batch([night], tmp_path / "out", common=Common(str(rules)))
    assert calls == ["a"]
    rules.write_text(text.replace("gap_s = 3", "gap_s = 4"), "utf-8")
    assert rules.read_text("utf-8") != text
    run_batch([night], tmp_path / "out", common=Common(str(rules)))
    assert calls == ["a", "a"]


def test_a_stamp_alone_is_trusted_only_where_it_is_safe(write_night, tmp_path, monkeypatch):
    calls = []
    serially(monkeypatch, calls)
    night, out = write_night(tmp_path / "in" / "a.edf", 1), tmp_path / "out"
    run_batch([night], out)
    (task,) = plan([night], out, Common())
    # Written a moment ago: the stamp could hide a later change, so the bytes decide.
    assert ledger.checked(out, task, read=False) is None
    assert ledger.checked(out, task, read=True) is not None
    # Content of the same size with the time of change put back.
    times = night.stat()
    write_night(night, 2)
    os.utime(night, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert ledger.checked(out, task, read=True) is None
    # The same bytes copied over: read once, not scored.
    write_night(night, 1)
    calls.clear()
    run_batch([night], out)
    assert calls == []


def test_a_failed_night_is_tried_again_in_the_next_run(write_night, tmp_path, monkeypatch):
    serially(monkeypatch)
    path = tmp_path / "a.edf"
    path.write_bytes(b"half a file")
    assert run_batch([path], tmp_path / "out").failed == 1
    write_night(path)
    assert run_batch([path], tmp_path / "out").failed == 0


def _dummy(line, out, *, speaks):
    """A worker that scores nothing.

    It ends itself at a night that the environment names, and is slow the first time it has another.
    """
    while (task := line.recv()) is not None:
        first = out / f".{task.key}.begun"
        if task.key == os.environ.get("SLEEPBRUX_TEST_SLOW") and not first.exists():
            first.touch()
            time.sleep(60)
        if task.key == os.environ.get("SLEEPBRUX_TEST_DEADLY"):
            for half in (f".{task.key}.night.h5.00.partial", f".batch/.{task.key}.json.00.partial"):
                (out / half).write_bytes(b"half")
            os._exit(3)
        time.sleep(0.3)
        line.send(ledger.row_of(task))


@pytest.fixture
def six(write_night, tmp_path, monkeypatch):
    """Six nights and workers that score nothing."""
    monkeypatch.setattr(pool, "serve", _dummy)
    for k in range(6):
        write_night(tmp_path / "in" / f"n{k}.edf", k)
    return tmp_path / "in"


def test_a_worker_that_is_killed_costs_its_night_one_more_try_and_the_others_nothing(
    six, tmp_path, monkeypatch
):
    killed, done = "n1", []
    monkeypatch.setenv("SLEEPBRUX_TEST_SLOW", killed)
    (tmp_path / "out").mkdir()
    crew = pool._Crew(plan([six], tmp_path / "out", Common()), tmp_path / "out", 2)
    try:
        for task, _ in crew.together():
            done.append(task.key)
            for worker in crew.workers:
                if worker.task and worker.task.key == killed:
                    worker.process.kill()
        assert killed not in done
        assert len(done) == 5
        done += [task.key for task, row in crew.alone() if not row.problem]
    finally:
        crew.stop()
    assert done[-1] == killed
    assert sorted(done) == [f"n{k}" for k in range(6)]


def test_a_night_that_ends_every_worker_becomes_a_failed_row(six, tmp_path, monkeypatch):
    monkeypatch.setenv("SLEEPBRUX_TEST_DEADLY", "n1")
    (tmp_path / "out").mkdir()
    batch = run_batch([six], tmp_path / "out", workers=2)
    assert [r.night for r in batch.rows if r.problem] == ["n1"]
    assert "ended twice (with code 3)" in batch.rows[1].problem
    assert not list((tmp_path / "out").rglob("*.partial"))


def test_two_runs_on_one_folder_exclude_each_other_and_shards_do_not(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger, "WAIT_FOR_START_S", 0.1)
    out = tmp_path / "out"

    def refused(part):
        with pytest.raises(UsageError, match="another batch"), ledger.locked(out, part):
            pass

    with ledger.locked(out, None):
        refused(None)
        refused((1, 2))
    with ledger.locked(out, (1, 3)), ledger.locked(out, (2, 3)):
        for part in (None, (1, 3), (1, 2)):
            refused(part)
    with ledger.locked(out, None):
        pass


def test_shards_merge_into_the_table_of_a_whole_run(study, tmp_path, monkeypatch, contents):
    serially(monkeypatch)
    aged(monkeypatch)
    file, out = study(nights=5), tmp_path / "out"
    assert command("batch", file, "--out", out, "--shard", "2/2") == 0
    assert not (out / "nights.csv").exists()
    assert command("batch", file, "--out", out, "--merge") == 1
    assert [r["problem"] for r in rows(out)] == [
        "not scored yet",
        "",
        "not scored yet",
        "",
        "not scored yet",
    ]
    assert command("batch", file, "--out", out, "--shard", "1/2") == 0
    assert command("batch", file, "--out", out, "--merge") == 0
    run_batch([file], tmp_path / "whole")
    assert contents(out) == contents(tmp_path / "whole")


@pytest.mark.parametrize("text", ["0/2", "3/2", "1", "a/b", "1/0", "-1/2"])
def test_a_shard_that_is_none_is_wrong_usage(text, study, tmp_path):
    assert command("batch", study(), "--out", tmp_path / "out", "--shard", text) == 2


def test_a_full_disk_fails_nights_and_leaves_nothing_half_written(study, tmp_path, monkeypatch):
    serially(monkeypatch)
    file, out = study(), tmp_path / "out"
    real = work.write_set

    def full(night, folder, *, stem, **more):
        if stem == "n2":
            monkeypatch.setattr("sleepbrux.archive.writing.put_columns", _no_space)
        try:
            return real(night, folder, stem=stem, **more)
        finally:
            monkeypatch.undo()
            serially(monkeypatch)
            monkeypatch.setattr(work, "write_set", full)

    monkeypatch.setattr(work, "write_set", full)
    batch = run_batch([file], out)
    assert [r.problem for r in batch.rows] == ["", "No space left on device", ""]
    assert not list((out / "P01").glob("n2.*"))  # neither the archive nor what would have come after it
    assert not list(out.rglob("*.partial"))


def _no_space(*_):
    raise OSError(28, "No space left on device")


def test_nights_whose_results_would_have_one_name_are_refused(write_night, study, tmp_path):
    for folder in ("a", "b"):
        write_night(tmp_path / folder / "night.edf")
    with pytest.raises(UsageError, match="would both be written"):
        plan([tmp_path / "a", tmp_path / "b"], tmp_path / "out", Common())
    file = study()
    assert len(plan([file, file.parent], tmp_path / "out", Common())) == 3


def test_results_inside_the_input_folder_are_not_taken_for_recordings(write_night, tmp_path):
    write_night(tmp_path / "a.edf")
    out = tmp_path / "results"
    write_night(out / "b.edf")
    assert [t.key for t in plan([tmp_path], out, Common())] == ["a"]


def test_a_folder_without_nights_and_a_missing_one_are_wrong_usage(tmp_path):
    (tmp_path / "empty").mkdir()
    for name in ("empty", "none"):
        assert command("batch", tmp_path / name, "--out", tmp_path / "out") == 2


def test_summary_reads_the_folder_of_a_batch(study, tmp_path, monkeypatch, capsys):
    serially(monkeypatch)
    file, out = study(), tmp_path / "out"
    run_batch([file], out)
    for folder in (out, out / "P01"):
        assert command("summary", file, "--results", folder) == 0
        assert "missing" not in capsys.readouterr().out


def test_a_run_gives_up_after_more_failures_than_allowed_and_goes_on_later(
    write_night, tmp_path, monkeypatch
):
    serially(monkeypatch)
    folder, out = tmp_path / "in", tmp_path / "out"
    for k in range(5):
        path = write_night(folder / f"n{k}.edf", k)
        if k in (0, 2, 3):
            path.write_bytes(b"half a file")
    batch = run_batch([folder], out, watch=Watch(most_failures=1))
    assert [bool(row.problem) for row in batch.rows] == [True, False, True, True, True]
    assert [row.problem == "not scored yet" for row in batch.rows] == [False, False, False, True, True]
    assert (batch.failed, batch.waiting) == (4, 2)
    assert [row["problem"] for row in rows(out)][3:] == ["not scored yet"] * 2
    calls = []
    serially(monkeypatch, calls)
    again = run_batch([folder], out, watch=Watch(most_failures=3))
    assert (again.failed, again.waiting) == (3, 0)
    assert "n1" not in calls  # it was done
    assert "n4" in calls


def test_the_command_stops_and_says_what_is_left(write_night, tmp_path, monkeypatch):
    serially(monkeypatch)
    for k in range(3):
        (write_night(tmp_path / "in" / f"n{k}.edf", k)).write_bytes(b"half a file")
    done = called("batch", tmp_path / "in", "--out", tmp_path / "out", "--max-failures", "0")
    assert done.code == 1
    said = done.err
    assert "stopped after 1 failed night; 2 were not tried" in said


def test_level_and_window_hold_for_every_recording_of_a_folder(write_night, tmp_path, monkeypatch):
    serially(monkeypatch)
    night, out = write_night(tmp_path / "in" / "n1.edf"), tmp_path / "out"
    said = ["--mvc-uv", "180", "--from", "60", "--to", "110"]
    assert called("batch", str(night.parent), "--out", str(out), *said).code == 0
    assert called("score", str(night), "--out", str(tmp_path / "alone"), *said).code == 0
    one, other = ((folder / "n1.night.h5").read_bytes() for folder in (out, tmp_path / "alone"))
    assert one == other
    calls = []
    serially(monkeypatch, calls)
    assert called("batch", str(night.parent), "--out", str(out), *said).code == 0
    assert calls == []
    assert called("batch", str(night.parent), "--out", str(out), *said[:-1], "100").code == 0
    assert calls == ["n1"]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (["--from", "noon"], "--from 'noon' is no time"),
        (["--mvc-uv", "strong"], "--mvc-uv 'strong' is no level"),
    ],
)
def test_a_level_or_time_that_is_none_is_wrong_usage(said, why, write_night, tmp_path):
    write_night(tmp_path / "in" / "n1.edf")
    done = called("batch", tmp_path / "in", "--out", tmp_path / "out", *said)
    assert done.code == 2
    assert why in done.err


def test_without_a_terminal_each_line_says_how_far_it_is_and_a_log_has_one_line_an_event(
    write_night, tmp_path, monkeypatch
):
    serially(monkeypatch)
    for k in range(2):
        write_night(tmp_path / "in" / f"n{k}.edf", k)
    (tmp_path / "in" / "n2.edf").write_bytes(b"half a file")
    log = tmp_path / "run.jsonl"
    done = called("batch", tmp_path / "in", "--out", tmp_path / "out", "--log", log)
    assert done.code == 1
    assert re.search(
        r"^2 of 3, [\d.]+ nights a minute: n1\.edf: .* episodes per valid hour$",
        done.out,
        re.MULTILINE,
    )
    lines = [json.loads(line) for line in log.read_text("utf-8").splitlines()]
    assert [line["event"] for line in lines] == ["planned", "scored", "scored", "failed", "ended"]
    assert lines[0] | {"at": ""} == {"at": "", "event": "planned", "nights": 3, "to_score": 3}
    assert lines[-1]["not_scored"] == 1
    assert (
        called("batch", str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--log", str(tmp_path)).code
        == 2
    )


def test_each_page_names_the_persons_other_nights_and_no_night_is_scored_again_for_it(
    study, tmp_path, monkeypatch
):
    serially(monkeypatch)
    aged(monkeypatch)
    file, out = study(nights=5), tmp_path / "out"
    run_batch([file], out)
    pages = [(out / "P01" / f"n{k}.report.html").read_text("utf-8") for k in range(1, 6)]
    assert all("Other nights with no appliance (2): " in page for page in pages[::2])
    assert all("Other nights with splint (1): " in page for page in pages[1::2])
    again = run_batch([file], out)
    assert again.unchanged == 5
    assert pages == [(out / "P01" / f"n{k}.report.html").read_text("utf-8") for k in range(1, 6)]
