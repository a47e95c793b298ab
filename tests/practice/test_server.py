"""The page asked by others, by mistake or in bad faith; and what it does when things break."""

import errno
import os
import shutil
import signal
import threading
import time
from pathlib import Path

import httpx
import psutil
import pytest

from sleepbrux.practice import upload
from sleepbrux.practice.desk import Reviewer
from sleepbrux.study.editing import Place, set_fields
from sleepbrux.study.file import load_study

from .asking import Asking

EVIL = "<img src=x onerror=window.hacked=1>"


@pytest.fixture
def asking(tmp_path):
    one = Asking(tmp_path)
    yield one
    one.stop()


@pytest.fixture
def empty(asking):
    """The page over an empty study."""
    asking.do("start", pseudonym="P-01", where="here")
    return asking


# --- who is let in ---------------------------------------------------------------------------------------


def test_only_this_machine_this_page_and_the_token_are_answered(asking):
    get = asking.client.get
    assert get("/api/screen", headers={"Host": "evil.example"}).status_code == 421
    assert get("/api/screen").status_code == 403
    assert get("/api/screen", headers={"X-Review-Token": "x"}).status_code == 403
    other = asking.headers | {"Origin": "http://evil.example"}
    assert asking.client.post("/api/do", json={"action": "up"}, headers=other).status_code == 403
    assert asking.client.put("/api/upload", content=b"x", headers=other).status_code == 403
    assert asking.client.post("/api/quit", headers={"Origin": asking.origin}).status_code == 403
    assert asking.client.post("/api/knock", json={"secret": "no"}, headers=asking.headers).status_code == 403
    page = get("/")
    assert page.status_code == 200
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "connect-src 'self'" in policy
    assert "unsafe" not in policy
    assert asking.entrance.token not in page.text


def test_what_is_no_action_is_one_sentence(empty):
    for body in (b"", b"{", b"[]", b'{"action": 1}', b'{"action": "x", "more": 1}', b"{" * 30_000):
        answer = empty.client.post("/api/do", content=body, headers=empty.headers)
        assert answer.status_code in (400, 413)
        assert answer.json()["error"]
    assert empty.answer("rm").status_code == 400
    for fields in ({}, {"n": "-1"}, {"n": "9"}, {"n": "9999999999"}, {"n": "x"}):
        answer = empty.answer("night", **fields)
        assert answer.status_code == 422, fields
    assert "<h2" in empty.screen("nights/../../etc")
    assert "<h2" in empty.screen("clenches/99")


def test_a_file_is_served_by_a_random_word_alone(over):
    get = over.client.get
    for word in ("x", "..%2f..%2fstudy.toml", "study.toml"):
        assert get(f"/file/{word}").status_code == 404
    html = over.screen("nights")
    word = html.split('href="/file/')[1].split('"')[0]
    answer = get(f"/file/{word}")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"].startswith("sandbox allow-scripts")
    assert "same-origin" not in answer.headers["content-security-policy"]
    assert answer.headers["x-frame-options"] == "SAMEORIGIN"
    assert "night-01" not in word


# --- dropped files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("../../up.edf", "up.edf"),
        ("/etc/passwd.edf", "passwd.edf"),
        ("C:\\Windows\\n.edf", "n.edf"),
        ("NUL.edf", "NUL_.edf"),
        ("a:b?.edf", "a_b_.edf"),
        (f"{EVIL}.edf", None),
        ("n\u202eedf.exe", None),
        ("ü b.EDF", "ü b.EDF"),
        ("x" * 400 + ".edf", None),
        (".edf", "edf"),
        ("a\x00b.edf", None),
    ],
)
def test_a_name_from_a_browser_is_never_a_path(empty, said, name):
    answer = empty.send(said, b"bytes")
    assert answer.status_code == 200, answer.text
    got = answer.json()["name"]
    assert name in (None, got)
    assert (empty.practice.home / got).read_bytes() == b"bytes"
    assert not (empty.practice.home.parent / got).exists()
    assert got == Path(got).name
    assert len(got.encode()) < 250
    assert not set(got) & set('<>:"/\\|?*\x00\u202e')


@pytest.mark.parametrize(
    "name", ["study.toml", "x.edf.clenches.toml", "n.review.jsonl", "n.night.h5", "letter.pdf", "a.html", ""]
)
def test_files_that_the_program_writes_itself_are_not_taken(empty, name):
    before = sorted(p.name for p in empty.practice.home.iterdir())
    answer = empty.send(name, b"pseudonym = 'evil'")
    assert answer.status_code == 422
    assert sorted(p.name for p in empty.practice.home.iterdir()) == before


def test_nothing_is_written_over_and_the_same_file_is_kept_once(empty):
    home = empty.practice.home
    assert empty.send("a.edf", b"one").json() == {"name": "a.edf", "twin": False}
    assert empty.send("a.edf", b"one").json() == {"name": "a.edf", "twin": True}
    assert empty.send("a.edf", b"two").json() == {"name": "a-2.edf", "twin": False}
    assert ((home / "a.edf").read_bytes(), (home / "a-2.edf").read_bytes()) == (b"one", b"two")
    assert sorted(p.name for p in home.iterdir()) == ["a-2.edf", "a.edf", "study.toml"]


def test_a_file_that_is_too_large_or_broken_off_leaves_nothing(empty, monkeypatch):
    home = empty.practice.home
    monkeypatch.setattr(upload, "MOST_BYTES", 10)
    answer = empty.send("a.edf", b"x" * 11)
    assert answer.status_code == 422
    monkeypatch.setattr(upload, "MOST_BYTES", 1 << 30)
    monkeypatch.setattr(upload, "LEFT_FREE", shutil.disk_usage(home).free)
    answer = empty.send("a.edf", b"x" * 11)
    assert "the disk has" in answer.json()["error"]
    monkeypatch.setattr(upload, "LEFT_FREE", 0)

    def broken():
        yield b"x" * 10
        raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        empty.client.put(
            "/api/upload",
            content=broken(),
            headers=empty.headers | {"X-File-Name": "a.edf", "Content-Length": "100"},
        )
    end = time.monotonic() + 10
    while len(list(home.iterdir())) > 1 and time.monotonic() < end:
        time.sleep(0.05)
    assert [p.name for p in home.iterdir()] == ["study.toml"]


def test_while_a_slow_disk_takes_a_file_the_page_answers_and_no_half_file_has_its_name(empty, monkeypatch):
    writing, go_on = threading.Event(), threading.Event()
    write = upload.Incoming.write

    def slow(incoming, part):
        writing.set()
        assert go_on.wait(60)
        write(incoming, part)

    monkeypatch.setattr(upload.Incoming, "write", slow)
    answers = []
    sending = threading.Thread(target=lambda: answers.append(empty.send("a.edf", b"x" * 1000)))
    sending.start()
    assert writing.wait(60)
    with httpx.Client(base_url=empty.origin, headers=empty.headers, timeout=60) as other:
        assert other.get("/api/screen", params={"at": "nights"}).status_code == 200
    assert answers == []
    assert not (empty.practice.home / "a.edf").exists()
    go_on.set()
    sending.join(60)
    assert answers[0].json() == {"name": "a.edf", "twin": False}


def test_a_full_disk_is_a_sentence_and_the_page_goes_on(empty, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(upload.Incoming, "write", full)
    answer = empty.send("a.edf", b"x")
    assert answer.status_code == 507
    assert "No space left" in answer.json()["error"]
    monkeypatch.undo()
    monkeypatch.setattr("sleepbrux.study.editing.write_text", full)
    before = (empty.practice.home / "study.toml").read_bytes()
    answer = empty.answer("study", age_years="40")
    assert answer.status_code == 507
    monkeypatch.undo()
    assert (empty.practice.home / "study.toml").read_bytes() == before
    assert empty.answer("study", age_years="40").status_code == 200


# --- what is entered -------------------------------------------------------------------------------------


def test_hostile_names_are_text(over):
    file = over.practice.study_file
    set_fields(file, Place("night", ("night-01",)), {"condition": EVIL, "note": EVIL})
    set_fields(file, Place(), {"pseudonym": EVIL})
    for at in ("nights", "night/0", "arrival", "score", "letter", "files", "clenches/0", "compare"):
        html = over.screen(at)
        assert "<img" not in html, at
    over.wait()


def test_a_name_near_one_in_use_is_asked_about_before_it_is_written(over):
    before = over.practice.study_file.read_bytes()
    answer = over.do("night", n=0, condition="Night-guard")
    assert "same appliance" in answer["ask"]
    assert over.practice.study_file.read_bytes() == before
    yes, no = answer["answers"]
    over.do("night", **yes[1])
    assert load_study(over.practice.study_file).night[0].condition == "night guard"
    over.do("night", **no[1])
    assert load_study(over.practice.study_file).night[0].condition == "Night-guard"
    assert "no appliance" in over.do("night", n=1, condition="None")["ask"]


def test_what_was_done_can_be_taken_back_but_not_over_another_hand(over):
    file = over.practice.study_file
    before = file.read_bytes()
    over.do("night", n=0, note="one")
    over.do("night", n=1, note="two")
    over.do("undo")
    over.do("undo")
    assert file.read_bytes() == before
    assert over.answer("undo").status_code == 422
    over.do("night", n=0, note="one")
    set_fields(file, Place("night", ("night-02",)), {"note": "by a command"})
    answer = over.answer("undo")
    assert "changed since" in answer.json()["error"]
    assert load_study(file).night[1].note == "by a command"


def test_acceptance_of_clenches_can_be_taken_back(over, recorded):
    sidecar = over.practice.home / "chair.edf.clenches.toml"
    before = sidecar.read_bytes()
    over.do("clenches", n=0)
    over.do("accept", n=0, numbers="1,3", moved="", by="CD", teeth="natural")
    assert 'accepted_by = "CD"' in sidecar.read_text("utf-8")
    over.do("undo")
    assert sidecar.read_bytes() == before
    assert "write your initials" in over.answer("accept", n=0, numbers="1,2", by="").json()["error"]
    assert "no clench is taken" in over.answer("accept", n=0, numbers="", by="CD").json()["error"]


def test_a_study_file_at_fault_is_shown_with_its_sentence_and_read_again_once_mended(over):
    file = over.practice.study_file
    before = file.read_bytes()
    file.write_bytes(before.replace(b'condition = "none"', b"condition = 3", 1))
    html = over.screen("nights")
    assert "The study file cannot be read" in html
    assert "condition" in html
    assert over.answer("night", n=0, note="x").status_code == 422
    file.write_bytes(before)
    assert "night-06" in over.screen("nights")


def test_a_night_of_other_rules_says_so_before_it_is_scored_anew(over):
    assert "as the study file says" in over.do("score")["told"]
    file = over.practice.study_file
    assert over.answer("study", criterion="../rules.toml").status_code == 422
    by_page = over.do("study", criterion="aasm") and file.read_bytes()
    over.do("undo")
    set_fields(file, Place(), {"criterion": "aasm"})
    assert file.read_bytes() == by_page
    assert "the rules are aasm, it was scored by phasic_tonic_10mvc" in over.screen("score")
    set_fields(file, Place(), {"criterion": "phasic_tonic_10mvc"})
    set_fields(file, Place("night", ("night-02",)), {"lights_off": "22:45", "lights_on": "22:50"})
    html = over.screen("score")
    assert "the study file says something else of this night" in html
    archive = over.practice.results / "night-02.night.h5"
    before = archive.read_bytes()
    answer = over.do("score")
    assert "1 night will be scored anew" in answer["ask"]
    assert archive.read_bytes() == before
    over.do("score", **answer["answers"][0][1])
    assert archive.read_bytes() != before


# --- the worker ------------------------------------------------------------------------------------------


def running(asking, kind):
    end = time.monotonic() + 60
    worker = asking.practice.worker
    while time.monotonic() < end:
        job = worker.current
        if job is not None and job.kind == kind and worker.process_id is not None:
            return job
        time.sleep(0.01)
    raise AssertionError(f"{kind} never ran")


def test_a_crash_of_the_worker_is_a_message_and_the_next_job_runs(over):
    shutil.rmtree(over.practice.results)
    assert over.answer("score").status_code == 200
    job = running(over, "score")
    os.kill(over.practice.worker.process_id, signal.SIGKILL)
    over.wait()
    assert job.state == "failed"
    assert "the process that was at work ended" in over.screen("score")
    over.do("score")
    assert over.practice.worker.last.result["scored"] == 6


def test_scoring_can_be_cancelled_and_leaves_whole_files_only(over):
    shutil.rmtree(over.practice.results)
    assert over.answer("score").status_code == 200
    job = running(over, "score")
    end = time.monotonic() + 120
    while job.share < 0.2 and time.monotonic() < end:
        time.sleep(0.005)
    over.do("cancel")
    assert job.state == "cancelled"
    from sleepbrux.archive.file import load_night

    archives = list(over.practice.results.glob("*.night.h5"))
    assert len(archives) < 6
    for archive in archives:
        load_night(archive)
    over.do("score")
    assert len(list(over.practice.results.glob("*.night.h5"))) == 6
    assert not list(over.practice.results.glob(".*partial"))


def test_an_idle_worker_ends_by_itself():
    from sleepbrux.practice.worker import Worker

    worker = Worker(lambda: None, idle_s=0.5)
    job = worker.ask("check", "nothing", file="/nowhere/study.toml")
    end = time.monotonic() + 60
    while (not job.over or worker.process_id is not None) and time.monotonic() < end:
        time.sleep(0.05)
    assert job.state == "failed"
    assert worker.process_id is None
    worker.stop()


# --- the process of the review -----------------------------------------------------------------------------


def ended(reviewer, process):
    end = time.monotonic() + 30
    while (reviewer.process_id is not None or psutil.pid_exists(process)) and time.monotonic() < end:
        time.sleep(0.02)
    assert reviewer.process_id is None
    assert not psutil.pid_exists(process)


def test_the_process_of_the_review_ends_by_itself_and_its_end_is_a_sentence(over):
    over.practice.reviewer = reviewer = Reviewer(rest_s=1.0)

    def night(k):
        return over.client.get("/api/night", params={"night": k}, headers=over.headers)

    assert over.client.get("/review").status_code == 200
    assert over.client.get("/draw", headers=over.headers).status_code == 404
    assert reviewer.process_id is None  # the page alone needs none
    assert night(0).json()["name"]
    process = reviewer.process_id
    assert night(9).json()["error"].startswith("there is no night 10")
    assert reviewer.process_id == process
    ended(reviewer, process)
    assert night(1).status_code == 200
    process = reviewer.process_id
    os.kill(process, signal.SIGKILL)
    answer = night(0)
    if answer.status_code != 200:  # asked before its end was noticed
        assert "the process that shows the nights ended" in answer.json()["error"]
        answer = night(0)
    assert answer.status_code == 200
    process = reviewer.process_id
    reviewer.stop()
    ended(reviewer, process)


# --- other windows ---------------------------------------------------------------------------------------


def test_a_waiting_window_is_told_of_what_another_did(over):
    count = over.client.get("/api/screen", params={"at": "nights"}, headers=over.headers).json()["count"]
    heard = []

    def wait():
        answer = httpx.get(
            f"{over.origin}/api/changes", params={"since": count}, headers=over.headers, timeout=60
        )
        heard.append(answer.json()["count"])

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.3)
    assert heard == []
    over.do("night", n=0, note="new")
    waiting.join(20)
    assert heard[0] > count


def test_a_knock_opens_a_window_and_the_folder_that_is_named(over, tmp_path):
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    body = {"secret": "s" * 20, "folder": str(folder), "opened": True}
    answer = over.client.post("/api/knock", json=body, headers={"Origin": over.origin})
    assert answer.json()["address"] == f"{over.origin}/"
    assert over.shown == [1]
    assert over.practice.folder == folder
    body["folder"] = str(tmp_path / "nowhere")
    assert over.client.post("/api/knock", json=body, headers={"Origin": over.origin}).status_code == 422


def test_what_was_asked_for_one_study_is_not_shown_in_another(over, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    from sleepbrux.study.editing import new_study

    new_study(other / "study.toml", pseudonym="P-02", nights=0)
    known = over.practice.known
    assert over.answer("preview").status_code == 200
    over.practice.open(other / "study.toml")
    over.wait()
    assert "P-01" in known.letter[1]["html"]
    assert over.practice.known.letter[1] == {}
    assert "P-01" not in over.screen("letter")


@pytest.fixture
def two_persons(over, study, tmp_path):
    """The page over a scored study, of which a copy is another person's; the folder of that one."""
    other = tmp_path / "other"
    shutil.copytree(study, other)
    file = other / "study.toml"
    file.write_text(file.read_text("utf-8").replace('"P-01"', '"P-02"'), "utf-8")
    return other


def test_a_decision_never_goes_to_another_study_than_the_one_that_the_window_shows(over, study, two_persons):
    before = {path: path.read_bytes() for folder in (study, two_persons) for path in folder.rglob("*.jsonl")}
    seen = over.client.get("/api/nights", headers=over.headers)
    window = over.headers | {"X-Study": seen.headers["X-Study"]}
    over.practice.open(two_persons / "study.toml")
    decision = {"seen": 0, "who": "AB", "draft": {"action": "accept", "target": "e0"}}
    refused = over.client.post("/api/decide?night=0", json=decision, headers=window)
    assert refused.status_code == 412
    assert "another study was opened" in refused.json()["error"]
    after = {path: path.read_bytes() for folder in (study, two_persons) for path in folder.rglob("*.jsonl")}
    assert after == before
    over.practice.open(study / "study.toml")
    fresh = over.headers | {
        "X-Study": over.client.get("/api/nights", headers=over.headers).headers["X-Study"]
    }
    assert over.client.post("/api/decide?night=0", json=decision, headers=fresh).status_code == 200


def test_no_action_and_no_file_goes_to_another_study_than_the_one_that_the_window_shows(
    over, study, two_persons
):
    shown = over.client.get("/api/screen", headers=over.headers).json()["study"]
    over.practice.open(two_persons / "study.toml")
    before = {path.name: path.read_bytes() for path in two_persons.iterdir() if path.is_file()}
    window = over.headers | {"X-Study": shown}
    body = {"action": "night", "fields": {"number": "0", "condition": "none"}, "at": "nights"}
    answers = [
        over.client.post("/api/do", json=body, headers=window),
        over.client.put("/api/upload", content=b"x", headers=window | {"X-File-Name": "new.edf"}),
        over.client.post("/api/arrive", headers=window),
    ]
    for answer in answers:
        assert answer.status_code == 422
        assert "another study was opened" in answer.json()["error"]
    assert {path.name: path.read_bytes() for path in two_persons.iterdir() if path.is_file()} == before


def test_a_decision_that_was_taken_back_is_no_decision(over):
    def decisions():
        return over.practice.rows(over.practice.study)[0].decisions

    for seen, draft, left in (
        (0, {"action": "accept", "target": "e0"}, 1),
        (1, {"action": "undo", "undoes": 1}, 0),
    ):
        body = {"seen": seen, "who": "AB", "draft": draft}
        answer = over.client.post("/api/decide?night=0", json=body, headers=over.headers)
        assert answer.status_code == 200, answer.text
        assert decisions() == left
