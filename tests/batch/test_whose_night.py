"""Nobody's night under another person's name: what attackers and accidents do to a folder of results."""

import contextlib
import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from tests.cli.conftest import called

ARCHIVE = ".night.h5"


def run(*words):
    """A command, without the next one that it names."""
    done = called(*words)
    lines = done.err.splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(("next, ", "  sleepbrux "))]
    return replace(done, err="".join(kept))


STUDY = """pseudonym = "{who}"
[[night]]
id = "{first}"
recording = "{file}"
condition = "none"
[[night]]
id = "{second}"
recording = "b.edf"
condition = "splint"
"""


@pytest.fixture
def person(tmp_path, write_night):
    """A study of two nights whose recordings are this person's own; returns its file."""

    def write(folder, who="P-01", number=1, first="n1", second="n2", file="a.edf"):
        home = tmp_path / folder
        write_night(home / file, 100 + 10 * number)
        write_night(home / "b.edf", 101 + 10 * number)
        text = STUDY.format(who=who, first=first, second=second, file=file)
        (home / "study.toml").write_text(text, "utf-8")
        return home / "study.toml"

    return write


def score(file, out):
    done = run("score", "--study", file, "--out", out)
    assert done.code == 0, done.err
    return out


def rows(out):
    with (out / "nights.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def digest_of(path):
    return json.loads(path.read_text("utf-8"))["input_sha256"]


# -- two persons, one folder ---------------------------------------------------------------------


@pytest.mark.shows("wrong-person")
def test_a_second_person_is_not_scored_over_the_first_and_both_are_named(person, tmp_path, contents):
    one, two = person("one", "P-01", 1), person("two", "P-02", 2)
    out = score(one, tmp_path / "out")
    before = contents(out)
    done = run("score", "--study", two, "--out", out)
    assert done.code == 1
    assert "'P-01'" in done.err
    assert "'P-02'" in done.err
    assert contents(out) == before


@pytest.mark.shows("wrong-person")
@pytest.mark.parametrize("verb", ["summary", "compare", "letter", "plan", "cohort", "clench"])
def test_no_reader_of_a_study_takes_the_night_of_another_person(person, tmp_path, verb):
    one, two = person("one", "P-01", 1), person("two", "P-02", 2)
    out = score(two, tmp_path / "out")
    pages = tmp_path / "pages"
    arguments = {
        "summary": [one],
        "compare": [one, "--out", pages],
        "plan": ["--study", one],
        "letter": ["--study", one, "--out", pages / "letter.pdf"],
        "cohort": [one, "--out", pages],
        "clench": [one, "--out", pages],
    }
    done = run(verb, *arguments[verb], "--results", out)
    said = " ".join(f"{done.out} {done.err}".split())
    assert done.code != 0
    if verb in ("summary", "compare", "letter"):
        assert "n1.night.h5 is of 'P-02', the study of 'P-01'" in said
    if verb == "summary":
        assert said.count(": 0 nights pooled") == 2
    if verb == "cohort":
        assert "no night with an archive; left out" in said
    assert not list(pages.rglob("*"))


@pytest.mark.shows("wrong-person")
def test_two_persons_under_one_pseudonym_do_not_mix(person, tmp_path, contents):
    """As when a study file was copied for the next person and the pseudonym forgotten."""
    one, two = person("one", "P-01", 1), person("two", "P-01", 2)
    out = score(one, tmp_path / "out")
    before = contents(out)
    done = run("score", "--study", two, "--out", out)
    assert done.code == 1
    assert "another" not in done.out
    assert "recording with SHA-256" in done.err
    assert contents(out) == before
    done = run("summary", two, "--results", out)
    assert done.code == 1
    assert "n1.night.h5 was made from another recording than a.edf next to the study file" in done.out


@pytest.mark.shows("wrong-person")
def test_a_night_scored_without_a_study_is_not_taken_for_that_of_a_person_with_the_same_file_name(
    person, tmp_path
):
    one, two = person("one", "P-01", 1), person("two", "P-02", 2)
    out = tmp_path / "out"
    assert run("score", one.parent / "a.edf", one.parent / "b.edf", "--out", out).code == 0
    done = run("summary", two, "--results", out)
    assert done.code == 1
    assert "a.night.h5 was made from another recording than a.edf next to the study file" in done.out
    done = run("summary", one, "--results", out)
    assert done.code == 0, done.err
    assert "do not say of which study" not in done.out  # the recordings beside the study file prove it
    for name in ("a.edf", "b.edf"):
        (one.parent / name).unlink()
    done = run("summary", one, "--results", out)
    assert done.code == 0
    assert done.out.count("do not say of which study they are") == 1


@pytest.mark.shows("wrong-person")
def test_a_batch_does_not_write_one_person_over_another(person, tmp_path, contents):
    one, two = person("one", "P-01", 1), person("two", "P-01", 2)
    out = tmp_path / "out"
    assert run("batch", one, "--out", out, "--workers", 1).code == 0
    before = {k: v for k, v in contents(out).items() if k != "nights.csv"}
    done = run("batch", two, "--out", out, "--workers", 1)
    assert done.code == 1
    assert [bool(r["problem"]) for r in rows(out)] == [True, True]
    assert "name another folder" in rows(out)[0]["problem"]
    assert {k: v for k, v in contents(out).items() if k != "nights.csv"} == before
    # the first person's own run still finds them done, or scores them again; never the second's
    assert run("batch", one, "--out", out, "--workers", 1).code == 0
    assert {k: v for k, v in contents(out).items() if k != "nights.csv"} == before


def test_a_merge_does_not_show_the_row_of_another_person(person, tmp_path):
    one, two = person("one", "P-01", 1), person("two", "P-01", 2)
    out = tmp_path / "out"
    assert run("batch", one, "--out", out, "--workers", 1).code == 0
    assert run("batch", two, "--out", out, "--merge").code == 1
    assert {r["problem"] for r in rows(out)} == {"not scored yet"}
    assert run("batch", one, "--out", out, "--merge").code == 0


def test_loose_recordings_of_one_name_from_two_folders_do_not_replace_each_other(
    write_night, tmp_path, contents
):
    out = tmp_path / "out"
    for k, folder in enumerate(("x", "y")):
        write_night(tmp_path / folder / "n.edf", k)
    assert run("batch", tmp_path / "x", "--out", out, "--workers", 1).code == 0
    before = contents(out)["n.night.h5"]
    assert run("batch", tmp_path / "y", "--out", out, "--workers", 1).code == 1
    assert contents(out)["n.night.h5"] == before


def test_another_night_under_the_same_path_does_not_replace_the_one_before(write_night, tmp_path, contents):
    """As when a card reader has the recording of the next person under the path of the last."""
    card, out = tmp_path / "card", tmp_path / "out"
    write_night(card / "REC.EDF", 1)
    for start in (b"20.01.2622.00.00", b"21.01.2622.00.00"):
        raw = bytearray((card / "REC.EDF").read_bytes())
        raw[168:184] = start
        raw[88:168] = b"Startdate %s X X X".replace(
            b"%s", {b"20": b"20-JAN-2026", b"21": b"21-JAN-2026"}[start[:2]]
        ).ljust(80)
        (card / "REC.EDF").write_bytes(raw)
        done = run("batch", card, "--out", out, "--workers", 1)
    assert done.code == 1
    assert "began 2026-01-20T22:00:00, this one began 2026-01-21T22:00:00" in rows(out)[0]["problem"]
    assert json.loads((out / "REC.summary.json").read_text("utf-8"))["start"] == "2026-01-20T22:00:00"


@pytest.mark.shows("nights-swapped")
@pytest.mark.parametrize("verb", ["score", "batch"])
def test_two_ids_that_differ_in_forbidden_letters_alone_keep_their_own_files(person, tmp_path, verb):
    file = person("one", first="n:1", second="n/1")
    out = tmp_path / "out"
    arguments = ["--study", file] if verb == "score" else [file, "--workers", 1]
    done = run(verb, *arguments, "--out", out)
    assert done.code == 0, done.err
    assert len(list(out.rglob(f"*{ARCHIVE}"))) == 2
    done = run("summary", file, "--results", out, "--json")
    assert done.code == 0, done.err
    table = json.loads(done.out)
    assert [n["id"] for c in table["conditions"] for n in c["nights"]] == ["n:1", "n/1"]


def test_pseudonyms_that_differ_in_forbidden_letters_alone_have_folders_of_their_own(person, tmp_path):
    files = [person("one", "P:1", 1), person("two", "P/1", 2)]
    out = tmp_path / "out"
    assert run("batch", *files, "--out", out, "--workers", 1).code == 0
    assert len(list(out.glob(f"*/n1{ARCHIVE}"))) == 2
    assert all(run("summary", f, "--results", out).code == 0 for f in files)


def test_the_same_night_in_two_places_is_refused_unless_both_are_the_same_scoring(person, tmp_path):
    file = person("one")
    out = tmp_path / "out"
    assert run("batch", file, "--out", out, "--workers", 1).code == 0
    score(file, out)
    assert run("summary", file, "--results", out).code == 0
    text = file.read_text("utf-8").replace("[[night]]", "criterion = 'aasm'\n[[night]]", 1)
    file.write_text(text, "utf-8")
    score(file, out)
    done = run("summary", file, "--results", out)
    assert done.code == 1
    assert "two scorings of one night; move one of them away" in done.out


def test_results_of_another_person_in_the_folder_above_do_not_hide_a_persons_own(person, tmp_path):
    one, two = person("one", "P-01", 1), person("two", "P-02", 2)
    out = tmp_path / "out"
    assert run("batch", one, "--out", out, "--workers", 1).code == 0
    score(two, out)
    for file in (one, two):
        done = run("summary", file, "--results", out)
        assert done.code == 0, done.out


# -- recordings that no study names --------------------------------------------------------------


@pytest.fixture
def same_named(write_night, tmp_path):
    return [write_night(tmp_path / folder / "night.edf", k) for k, folder in enumerate("xy", 1)]


@pytest.mark.parametrize(
    "kept",
    [
        [ARCHIVE],
        [".summary.json"],
        [".report.html"],
        [".episodes.csv"],
        [".files.json"],
        [".reviewed.summary.json"],
        [".review.jsonl"],
        [".robustness.json"],
    ],
)
def test_whatever_has_the_stem_keeps_it(same_named, tmp_path, contents, kept):
    first, second = same_named
    out = tmp_path / "out"
    assert run("score", first, "--out", out).code == 0
    shutil.copy(out / "night.summary.json", out / "night.reviewed.summary.json")
    shutil.copy(out / "night.summary.json", out / "night.robustness.json")
    (out / "night.review.jsonl").write_text(
        json.dumps({"format": "sleepbrux review", "input_sha256": digest_of(out / "night.summary.json")})
        + "\n",
        "utf-8",
    )
    for path in list(out.iterdir()):
        if path.name.removeprefix("night") not in kept:
            path.unlink()
    before = contents(out)
    done = run("score", second, "--out", out)
    assert done.code == 1
    assert "night.edf was not scored" in done.err
    assert "name another folder" in done.err
    assert contents(out) == before
    assert run("score", first, "--out", out).code == 0


def test_scoring_a_changed_recording_again_leaves_no_second_set_beside_the_old(
    write_night, tmp_path, contents
):
    path, out = tmp_path / "NIGHT.edf", tmp_path / "out"
    write_night(path, 1)
    assert run("score", path, "--out", out).code == 0
    before = contents(out)
    write_night(path, 2)
    done = run("score", path, "--out", out)
    assert done.code == 1
    assert "is of a night (recording with SHA-256" in done.err
    assert contents(out) == before


def test_a_night_of_a_study_is_not_replaced_by_a_scoring_that_names_nobody(person, tmp_path, contents):
    file = person("one", first="a")
    out = score(file, tmp_path / "out")
    before = contents(out)
    done = run("score", file.parent / "a.edf", "--out", out)
    assert done.code == 1
    assert "night 'a' of 'P-01'" in done.err
    assert contents(out) == before


@pytest.mark.parametrize("verb", ["report", "robustness", "export"])
def test_pages_and_tables_of_two_nights_of_one_name_do_not_replace_each_other(
    same_named, tmp_path, contents, verb
):
    pages = tmp_path / "pages"
    archives = []
    for k, path in enumerate(same_named):
        assert run("score", path, "--out", tmp_path / f"out{k}").code == 0
        archives.append(tmp_path / f"out{k}" / f"night{ARCHIVE}")
    assert run(verb, archives[0], "--out", pages).code == 0
    before = contents(pages)
    done = run(verb, archives[1], "--out", pages)
    if verb == "export":  # its files are called by the recording's digest where no study names the night
        assert done.code == 0
        before.pop("study.csv")  # the table of the nights of one export
        before.pop("exported.files.json")  # the list of what both left
        assert before.items() <= contents(pages).items()
        listed = json.loads((pages / "exported.files.json").read_text("utf-8"))["files"]
        assert {*before} <= {*listed}
    else:
        assert done.code == 1
        assert "night" in done.err
        assert contents(pages) == before
    assert run(verb, archives[0], "--out", pages).code == 0


# -- two processes at once, and processes that are killed ----------------------------------------


def started(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def set_of_one_recording(folder, stem):
    """The digest that all files of a set share."""
    from sleepbrux.report.outputs import standing

    found = {i.input_sha256 for i in standing(folder, stem).values() if i.input_sha256}
    assert len(found) == 1
    return found.pop()


@pytest.mark.shows("wrong-person")
def test_two_runs_at_once_on_recordings_of_one_name_lose_nothing(same_named, tmp_path):
    for turn in range(2):
        out = tmp_path / f"out{turn}"
        runs = [started("score", path, "--out", out) for path in same_named]
        said = [process.communicate(timeout=300)[1] for process in runs]
        codes = [process.returncode for process in runs]
        assert sorted(codes) == [0, 1], said
        winner = codes.index(0)
        whole = set_of_one_recording(out, "night")
        import hashlib

        assert whole == hashlib.sha256(same_named[winner].read_bytes()).hexdigest()
        assert "name another folder" in said[1 - winner]
        assert not list(out.rglob("*.partial"))
        assert run("report", out / f"night{ARCHIVE}").err == ""


def test_two_runs_at_once_on_one_recording_leave_one_whole_set(same_named, tmp_path):
    out = tmp_path / "out"
    rules = ("aasm", "phasic_tonic_10mvc")
    runs = [started("score", same_named[0], "--criterion", r, "--out", out) for r in rules]
    said = [process.communicate(timeout=300)[1] for process in runs]
    assert [process.returncode for process in runs] == [0, 0], said
    done = run("trace", out / f"night{ARCHIVE}", "episode_count")
    assert (done.code, done.err) == (0, "")


SLOW = """
import sys
from pathlib import Path
rename = Path.replace
def slow(self, target):
    print("rename", flush=True)
    sys.stdin.readline()
    return rename(self, target)
Path.replace = slow
from sleepbrux.cli import main
main(sys.argv[1:])
"""


@contextlib.contextmanager
def stopped_before_rename(number, *arguments):
    """A real process that stands still before its n-th rename."""
    with subprocess.Popen(
        [sys.executable, "-c", SLOW, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        bufsize=1,
    ) as process:
        for _ in range(number):
            line = process.stdout.readline()
            while line and line != "rename\n":
                line = process.stdout.readline()
            assert line, "it ended before that"
            if _ < number - 1:
                process.stdin.write("\n")
                process.stdin.flush()
        yield process
        process.kill()
        process.wait()


@pytest.mark.shows("stale-result")
@pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX does")
@pytest.mark.parametrize("number", range(1, 8))
def test_a_kill_in_the_middle_leaves_the_old_set_or_one_that_is_recognised(
    same_named, tmp_path, contents, number
):
    out = tmp_path / "out"
    archive = out / f"night{ARCHIVE}"
    assert run("score", same_named[0], "--out", out).code == 0
    before = contents(out)
    again = ("score", same_named[0], "--criterion", "aasm", "--out", out)
    with stopped_before_rename(number, *again):
        pass
    now = contents(out)
    kept = {name: digest for name, digest in now.items() if not name.endswith(".partial")}
    assert kept.keys() == before.keys()
    done = run("trace", archive, "episode_count")
    if kept == before:
        assert (number, done.code, done.err) == (1, 0, "")
    elif kept[archive.name] == before[archive.name]:
        assert done.code == 0
        assert "not as written with night.night.h5" in done.err
    else:
        assert done.code == 1
        assert "the files of this night are of two runs or were changed" in done.err
    assert any(name.endswith(".partial") for name in now)
    # any command that writes there clears what the dead run left, and the next run mends the set
    shutil.copy(same_named[0], tmp_path / "other.edf")
    assert run(*again).code == 0
    done = run("trace", archive, "episode_count")
    assert (done.code, done.err) == (0, "")


@pytest.mark.shows("stale-result")
@pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX does")
def test_a_batch_that_is_killed_with_all_its_workers_is_whole_after_the_next_run(write_night, tmp_path):
    from sleepbrux.archive.manifest import doubts

    folder, out = tmp_path / "in", tmp_path / "out"
    for k in range(16):
        write_night(folder / f"n{k:02d}.edf", k)
    process = subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "batch", folder, "--out", out, "--workers", "2"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    while not list(out.glob("*.partial")) or not list(out.glob("*.summary.json")):
        assert process.poll() is None
        time.sleep(0.005)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    for archive in out.glob(f"*{ARCHIVE}"):
        assert run("trace", archive, "episode_count").code == 0 or doubts(archive)
    done = run("batch", folder, "--out", out, "--workers", 2)
    assert done.code == 0, done.err
    archives = list(out.glob(f"*{ARCHIVE}"))
    assert len(archives) == 16
    assert not any(doubts(archive) for archive in archives)
    assert not list(out.rglob("*.partial"))


def test_a_process_that_writes_clears_what_a_dead_one_left_and_nothing_of_a_live_one(same_named, tmp_path):
    out = tmp_path / "out"
    with stopped_before_rename(1, "score", same_named[0], "--out", out):
        halves = list(out.glob("*.partial"))
        assert len(halves) == 7
        code = (
            "from pathlib import Path\nfrom sleepbrux.core.files import write_text\n"
            f"write_text(Path({str(out)!r}) / 'x', 'x')"
        )
        subprocess.run([sys.executable, "-c", code], check=True)
        assert all(half.exists() for half in halves)
    assert all(half.exists() for half in halves)
    subprocess.run([sys.executable, "-c", code], check=True)
    assert [p.name for p in out.iterdir()] == ["x"]


def test_a_scoring_that_fails_leaves_the_earlier_one_whole(same_named, tmp_path, contents, monkeypatch):
    out = tmp_path / "out"
    assert run("score", same_named[0], "--out", out).code == 0
    before = contents(out)

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    for name in (
        "sleepbrux.report.outputs.render_night",
        "sleepbrux.archive.writing.put_columns",
        "sleepbrux.report.outputs.manifest_text",
        "sleepbrux.core.files.flush_folder",
    ):
        with monkeypatch.context() as patch:
            patch.setattr(name, full)
            done = run("score", same_named[0], "--criterion", "aasm", "--out", out)
        assert done.code == 1
        assert "No space left" in done.err
        if name != "sleepbrux.core.files.flush_folder":
            assert contents(out) == before, name


# -- what is put there by hand -------------------------------------------------------------------


@pytest.fixture
def two_sets(same_named, tmp_path):
    """Results of two recordings of one name, in folders of their own."""
    for k, path in enumerate(same_named):
        assert run("score", path, "--out", tmp_path / f"out{k}").code == 0
    return [tmp_path / f"out{k}" for k in range(2)]


@pytest.mark.shows("nights-swapped")
@pytest.mark.parametrize("verb", ["report", "robustness", "trace", "export", "letter", "review"])
def test_an_archive_that_another_was_copied_over_is_refused_by_every_verb(two_sets, tmp_path, verb):
    here, other = two_sets
    shutil.copy(other / f"night{ARCHIVE}", here / f"night{ARCHIVE}")
    more = {
        "export": ["--out", tmp_path / "x"],
        "letter": ["--out", tmp_path / "x.pdf"],
        "review": ["--result"],
        "trace": ["episode_count"],
    }.get(verb, [])
    done = run(verb, here / f"night{ARCHIVE}", *more)
    assert done.code == 1
    assert "it is not the archive that night.files.json lists" in done.err
    assert not (tmp_path / "x.pdf").exists()


def test_a_list_of_another_night_is_told_from_a_changed_archive(two_sets):
    here, other = two_sets
    shutil.copy(other / f"night{ARCHIVE}", here / f"night{ARCHIVE}")
    table = json.loads((here / "night.files.json").read_text("utf-8"))
    table["files"].pop(ARCHIVE)
    (here / "night.files.json").write_text(json.dumps(table), "utf-8")
    done = run("trace", here / f"night{ARCHIVE}", "episode_count")
    assert done.code == 1
    assert "its list night.files.json of a night (recording with SHA-256" in done.err


def test_a_page_of_another_night_beside_an_archive_is_said(two_sets):
    here, other = two_sets
    for name in ("night.report.html", "night.summary.json"):
        shutil.copy(other / name, here / name)
    done = run("trace", here / f"night{ARCHIVE}", "episode_count")
    assert done.code == 0
    assert "night.report.html, night.summary.json: not as written with night.night.h5" in done.err


def test_what_was_made_of_an_earlier_scoring_is_said(same_named, tmp_path):
    out = tmp_path / "out"
    archive = out / f"night{ARCHIVE}"
    assert run("score", same_named[0], "--out", out).code == 0
    assert run("robustness", archive).err == ""
    assert run("report", archive).err == ""
    assert run("trace", archive, "episode_count").err == ""
    assert run("score", same_named[0], "--criterion", "aasm", "--out", out).code == 0
    assert "night.robustness.json: not as written" in run("trace", archive, "episode_count").err
    assert run("robustness", archive).err == ""


def test_an_archive_alone_and_an_older_set_without_a_list_still_open(two_sets, tmp_path):
    here, _ = two_sets
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(here / f"night{ARCHIVE}", alone)
    done = run("trace", alone / f"night{ARCHIVE}", "episode_count")
    assert (done.code, done.err) == (0, "")
    (here / "night.files.json").unlink()
    done = run("trace", here / f"night{ARCHIVE}", "episode_count")
    assert done.code == 0
    assert done.err.count("\n") == 1
    assert "there is no night.files.json next to it" in done.err


@pytest.mark.parametrize("lacking", ["study_sha256", "person"])
def test_what_an_older_archive_cannot_prove_is_said_once(person, tmp_path, lacking):
    from dataclasses import replace

    from sleepbrux.archive.file import load_night, save_night

    file = person("one")
    out = score(file, tmp_path / "out")
    for path in out.glob(f"*{ARCHIVE}"):
        night = load_night(path)
        keys = ("study_sha256", "recording_ends_sha256") + (("person",) if lacking == "person" else ())
        (out / path.name.replace(ARCHIVE, ".files.json")).unlink()
        save_night(replace(night, about=tuple(p for p in night.about if p[0] not in keys)), path)
    done = run("summary", file, "--results", out)
    assert done.code == 0, done.err
    assert done.out.count("do not say of which study they are") == 1
    assert "the archives of n1, n2 do not say" in done.out
    assert "files.json" not in done.out + done.err


@pytest.mark.shows("stale-result")
def test_an_entry_of_the_study_that_changed_since_is_said_and_no_result(person, tmp_path):
    file = person("one")
    out = score(file, tmp_path / "out")
    text = file.read_text("utf-8")
    later = text.replace('condition = "none"', 'condition = "none"\nmorning_jaw_pain = 3\nnote = "late"')
    file.write_text(later + '[[night]]\nid = "n3"\nrecording = "c.edf"\ncondition = "none"\n', "utf-8")
    done = run("summary", file, "--results", out)
    assert "missing: n3" in done.out
    assert "missing: n1" not in done.out
    lights = 'condition = "none"\nlights_off = 22:00:00\nlights_on = 06:00:00'
    file.write_text(text.replace('condition = "none"', lights), "utf-8")
    done = run("summary", file, "--results", out)
    assert done.code == 1
    assert "n1.night.h5 was scored when the study file said something else of this night" in done.out


# -- what every file says ------------------------------------------------------------------------


@pytest.mark.shows("wrong-person")
def test_every_file_of_a_night_says_whose_it_is(person, tmp_path):
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.identity import identity_of
    from sleepbrux.report.outputs import standing

    out = score(person("one"), tmp_path / "out")
    due = identity_of(load_night(out / f"n1{ARCHIVE}"))
    assert (due.person, due.night, len(due.study_sha256), len(due.input_sha256)) == (
        "P-01",
        "n1",
        64,
        64,
    )
    found = standing(out, "n1")
    assert len(found) == 7
    page = found.pop("n1.report.html")
    assert page.input_sha256 == due.input_sha256
    assert set(found.values()) == {due}
    text = (out / "n1.report.html").read_text("utf-8")
    assert all(word in text for word in (due.person, due.night, due.study_sha256))


def test_comparison_pages_and_clench_tests_of_two_persons_keep_apart(person, tmp_path):
    out = tmp_path / "out"
    files = [person("one", "P-01", 1), person("two", "P-02", 2, first="m1", second="m2")]
    for file in files:
        score(file, out)
    (out / "x.clench.json").write_text('{"pseudonym": "P-02", "name": "secret"}', "utf-8")
    assert run("compare", files[0], "--results", out, "--quick").code == 0
    page = (out / "study.report.html").read_text("utf-8")
    assert "x.clench.json" not in page
    done = run("compare", files[1], "--results", out, "--quick")
    assert done.code == 1
    assert "'P-01'" in done.err
    assert "'P-02'" in done.err
    assert (out / "study.report.html").read_text("utf-8") == page


def test_the_comparison_of_a_batch_lies_in_the_folder_of_its_person(person, tmp_path):
    out = tmp_path / "out"
    files = [person("one", "P-01", 1), person("two", "P-02", 2)]
    assert run("batch", *files, "--out", out, "--workers", 1).code == 0
    for file, who in zip(files, ("P-01", "P-02"), strict=True):
        assert run("compare", file, "--results", out, "--quick").code == 0
        assert (out / who / "study.report.html").is_file()


def test_one_recording_is_no_night_of_two_persons(person, tmp_path):
    one, two = person("one", "P-01", 1), person("two", "P-02", 2)
    shutil.copy(one.parent / "a.edf", two.parent / "a.edf")
    out = tmp_path / "out"
    batch = run("batch", one, two, "--out", out, "--workers", 1)
    assert (batch.code, "one and the same recording" in batch.err) == (1, True)
    done = run("cohort", one, two, "--results", out, "--out", tmp_path / "c")
    assert done.code == 2
    assert "is a recording that is a night of 'P-01' too" in done.err


@pytest.mark.shows("wrong-person")
def test_a_table_of_nights_mixes_no_persons(person, tmp_path):
    out = tmp_path / "out"
    score(person("one", "P-01", 1, first="a1", second="a2"), out)
    score(person("two", "P-02", 2, first="b1", second="b2"), out)
    table = "night,condition\na1,none\na2,splint\nb1,none\nb2,splint\n"
    (out / "nights.csv").write_text(table, "utf-8")
    done = run("compare", out, "--out", tmp_path / "pages", "--quick")
    assert done.code == 1
    assert "b1.night.h5 is of 'P-02', another archive here of 'P-01'" in done.out


def test_one_recording_under_two_pseudonyms_is_no_agreement(person, tmp_path):
    one = person("one", "P-01", 1)
    archives = [score(one, tmp_path / "a") / f"n1{ARCHIVE}"]
    one.write_text(one.read_text("utf-8").replace("P-01", "P-02"), "utf-8")
    archives.append(score(one, tmp_path / "b") / f"n1{ARCHIVE}")
    done = run("agreement", *archives)
    assert done.code == 2
    assert "night 'n1' of 'P-01'" in done.err
    assert "night 'n1' of 'P-02'" in done.err


def test_files_of_a_review_are_said_to_be_of_an_earlier_scoring(same_named, tmp_path):
    from dataclasses import replace

    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.manifest import listed
    from sleepbrux.report.outputs import write_reviewed

    out = tmp_path / "out"
    archive = out / f"night{ARCHIVE}"
    assert run("score", same_named[0], "--out", out).code == 0
    names = write_reviewed(replace(load_night(archive)), out, "night", of=listed(archive))
    assert "night.reviewed.files.json" in names
    assert run("trace", archive, "episode_count").err == ""
    assert run("score", same_named[0], "--criterion", "aasm", "--out", out).code == 0
    said = run("trace", archive, "episode_count").err
    assert "night.reviewed.*: made from another scoring than night.night.h5" in said


# -- what a batch takes for done -----------------------------------------------------------------


def empty(out):
    (out / "P-01" / f"n1{ARCHIVE}").write_bytes(b"")


def cut(out):
    page = out / "P-01" / "n1.report.html"
    page.write_bytes(page.read_bytes()[:1000])


def braces(out):
    (out / "P-01" / "n1.summary.json").write_text("{}", "utf-8")


def other(out):
    shutil.copy(out / "P-01" / f"n2{ARCHIVE}", out / "P-01" / f"n1{ARCHIVE}")


def flipped(out):
    path = out / "P-01" / "n1.episodes.csv"
    times = path.stat()
    path.write_bytes(path.read_bytes().replace(b"phasic", b"phasik", 1))
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def unlisted(out):
    (out / "P-01" / "n1.files.json").unlink()


@pytest.mark.shows("stale-result")
@pytest.mark.parametrize("harm", [empty, cut, braces, other, flipped, unlisted])
def test_a_night_whose_files_are_not_as_written_is_scored_again(person, tmp_path, contents, harm):
    file, out = person("one"), tmp_path / "out"
    assert run("batch", file, "--out", out, "--workers", 1).code == 0
    before, kept = contents(out), (out / "P-01" / f"n2{ARCHIVE}").stat().st_ino
    harm(out)
    done = run("batch", file, "--out", out, "--workers", 1)
    assert done.code == 0, done.err
    assert contents(out) == before
    assert (out / "P-01" / f"n2{ARCHIVE}").stat().st_ino == kept  # the other night was not scored again


def test_a_merge_does_not_call_a_night_done_whose_files_are_cut(person, tmp_path):
    file, out = person("one"), tmp_path / "out"
    assert run("batch", file, "--out", out, "--workers", 1).code == 0
    empty(out)
    assert run("batch", file, "--out", out, "--merge").code == 1
    assert [bool(r["problem"]) for r in rows(out)] == [True, False]


def test_a_batch_that_finds_all_done_reads_no_file_of_results(person, tmp_path, monkeypatch):
    from sleepbrux.batch import ledger

    file, out = person("one"), tmp_path / "out"
    assert run("batch", file, "--out", out, "--workers", 1).code == 0
    monkeypatch.setattr(ledger, "STILL_NS", -1)
    seen = []
    see = ledger.see
    monkeypatch.setattr(ledger, "see", lambda path, *a, **k: (seen.append(path.name), see(path, *a, **k))[1])
    done = run("batch", file, "--out", out, "--workers", 1)
    assert "2 of 2 nights are done already" in done.out or set(seen) <= {"a.edf", "b.edf"}
    assert not [name for name in seen if name.startswith("n")]


def test_score_waits_outside_a_folder_in_which_a_batch_is_at_work(person, tmp_path):
    from sleepbrux.batch import ledger

    file, out = person("one"), tmp_path / "out"
    with ledger.locked(out, None):
        done = run("score", "--study", file, "--out", out)
    assert done.code == 2
    assert "another batch or score is at work" in done.err
    assert not list(out.glob(f"*{ARCHIVE}"))


# -- rows that can be told apart -----------------------------------------------------------------


def test_rows_and_lines_of_recordings_of_one_name_can_be_told_apart(write_night, tmp_path):
    for k, folder in enumerate(("mon", "tue")):
        write_night(tmp_path / "in" / folder / "night.edf", k)
    out = tmp_path / "out"
    done = run("batch", tmp_path / "in", "--out", out, "--workers", 1)
    assert done.code == 0, done.err
    found = rows(out)
    assert [r["path"] for r in found] == ["mon/night.edf", "tue/night.edf"]
    assert len({r["input_sha256"] for r in found}) == len({r["report_id"] for r in found}) == 2
    for r in found:
        summary = out / r["path"].replace(".edf", ".summary.json")
        table = json.loads(summary.read_text("utf-8"))
        assert (r["input_sha256"], r["report_id"]) == (table["input_sha256"], table["report_id"])
        assert r["version"] == table["software"]["version"]
        assert float(r["episodes_per_hour"]) >= 0
    assert all(f"{name}: " in done.out for name in ("mon/night.edf", "tue/night.edf"))
    (tmp_path / "in" / "tue" / "night.edf").write_bytes(b"half")
    assert "tue/night.edf was not scored" in run("batch", tmp_path / "in", "--out", out).err


def test_the_day_of_a_night_stands_in_its_row(person, tmp_path):
    file = person("one")
    text = file.read_text("utf-8").replace('id = "n1"', 'id = "n1"\ndate = 2026-03-01')
    file.write_text(text, "utf-8")
    assert run("batch", file, "--out", tmp_path / "out", "--workers", 1).code == 0
    assert [r["date"] for r in rows(tmp_path / "out")] == ["2026-03-01", ""]


def test_recordings_in_hidden_folders_are_not_passed_over_unsaid(write_night, tmp_path):
    top = tmp_path / "in"
    for name in ("a.edf", ".old/b.edf", "sub/.c.edf"):
        write_night(top / name)
    (top / ".old" / "notes.txt").write_text("nothing", "utf-8")
    done = run("batch", top, "--out", tmp_path / "out", "--workers", 1)
    assert done.code == 0
    assert ".old/b.edf was passed over: it is hidden" in done.err
    assert "sub/.c.edf was passed over: it is hidden" in done.err
    assert "notes.txt" not in done.err
    (top / "a.edf").unlink()
    done = run("batch", top, "--out", tmp_path / "out", "--workers", 1)
    assert done.code == 2
    assert ".old/b.edf" in done.err
