"""The command itself: a second start, Quit, Ctrl-C, and kill -9 in every step."""

import contextlib
import os
import signal
import threading
import time

import httpx
import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.practice.running import own_folder
from sleepbrux.study.file import load_study

from .conftest import by_commands


class Line:
    """Requests to a page that runs as a process of its own."""

    def __init__(self, page):
        self.origin = page.address.rstrip("/")
        self.client = httpx.Client(base_url=self.origin, timeout=60)
        page.clients.append(self.client)
        code = self.client.post("/api/enter", json={"code": page.code}, headers={"Origin": self.origin})
        self.headers = {"Origin": self.origin, "X-Review-Token": code.json()["token"]}

    def do(self, action, **fields):
        body = {"action": action, "fields": fields, "at": "nights"}
        return self.client.post("/api/do", json=body, headers=self.headers)

    def screen(self, at="nights"):
        answer = self.client.get("/api/screen", params={"at": at}, headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def wait(self, seconds=120):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if self.screen("score")["job"] is None:
                return
            time.sleep(0.1)
        raise AssertionError("it never came to its end")


def test_a_second_start_finds_the_one_that_runs(started, study, tmp_path):
    page = started(study)
    code, out, _ = page.again(tmp_path)
    assert code == 0
    assert f"The page runs already: {page.address}" in out
    letters = out.split("once: ")[1].strip()
    answer = httpx.post(
        f"{page.address}api/enter", json={"code": letters}, headers={"Origin": page.address.rstrip("/")}
    )
    assert answer.status_code == 200


@pytest.mark.parametrize("how", ["quit", signal.SIGINT, signal.SIGTERM])
def test_it_ends_cleanly_when_told(started, study, how, monkeypatch, tmp_path):
    page = started(study)
    line = Line(page)
    line.screen()
    count = line.screen()["count"]

    def wait():
        with contextlib.suppress(httpx.HTTPError):
            httpx.get(f"{line.origin}/api/changes", params={"since": count}, headers=line.headers, timeout=60)

    waiting = threading.Thread(target=wait)  # a window that waits must not keep the program alive
    waiting.start()
    time.sleep(1.0)
    if how == "quit":
        assert line.client.post("/api/quit", headers=line.headers).status_code == 200
        assert page.child.wait(20) == 0
        line.client.close()
    else:
        assert page.stop(how) == 0
    monkeypatch.setenv("XDG_RUNTIME_DIR", page.environment["XDG_RUNTIME_DIR"])
    assert not (own_folder() / "page.json").exists()
    waiting.join(20)


def test_nothing_is_believed_of_a_page_that_was_killed(started, study):
    page = started(study)
    page.stop(signal.SIGKILL)
    again = started(study)
    assert "night-06" in Line(again).screen()["html"]


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="modes of folders are those of POSIX")
def test_a_folder_that_others_may_enter_is_refused(tmp_path, monkeypatch):
    from sleepbrux.core.errors import UsageError

    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    own_folder().chmod(0o777)
    with pytest.raises(UsageError, match="other users may enter it"):
        own_folder()


def test_kill_9_in_every_step_loses_nothing(started, recorded, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    data = (recorded / "rec1.edf").read_bytes()
    names = sorted(p.name for p in recorded.iterdir())

    # in the middle of a copy: the half is gone, the file is not there
    page = started(home)
    line = Line(page)
    assert line.do("start", pseudonym="P-01", where="here").status_code == 200

    def slowly():
        yield data[:100_000]
        page.child.kill()
        page.child.wait(20)
        yield data[100_000:]

    headers = line.headers | {"X-File-Name": "rec1.edf", "Content-Length": str(len(data))}
    with pytest.raises(httpx.HTTPError):
        line.client.put("/api/upload", content=slowly(), headers=headers)
    page.stop()
    assert not (home / "rec1.edf").exists()

    # right after an answer: what was acknowledged is there
    page = started(home)
    line = Line(page)
    for name in names:
        sent = line.client.put(
            "/api/upload",
            content=(recorded / name).read_bytes(),
            headers=line.headers | {"X-File-Name": name},
        )
        assert sent.status_code == 200, sent.text
    assert not list(home.glob(".*partial"))
    assert line.client.post("/api/arrive", headers=line.headers).status_code == 200
    page.stop(signal.SIGKILL)
    assert len(load_study(home / "study.toml").night) == 6

    for k in range(6):
        if k % 3 == 0:
            page = started(home)
            line = Line(page)
        assert line.do("night", n=str(k), condition="none" if k < 3 else "guard").status_code == 200
        if k % 3 == 2:
            page.stop(signal.SIGKILL)
    assert [n.condition for n in load_study(home / "study.toml").night] == ["none"] * 3 + ["guard"] * 3

    # in the middle of what the worker does: the step can be done again, files are whole
    page = started(home)
    line = Line(page)
    assert line.do("accept", n="0", numbers="1,2,3", by="AB", teeth="natural").status_code == 200
    time.sleep(0.3)
    page.stop(signal.SIGKILL)
    page = started(home)
    line = Line(page)
    assert line.do("accept", n="0", numbers="1,2,3", by="AB", teeth="natural").status_code == 200
    line.wait()
    assert "accepted_by" in (home / "chair.edf.clenches.toml").read_text("utf-8")

    assert line.do("score").status_code == 200
    end = time.monotonic() + 120
    while not list((home / "results").glob("*.night.h5")) and time.monotonic() < end:
        time.sleep(0.02)
    page.stop(signal.SIGKILL)
    for archive in (home / "results").glob("*.night.h5"):
        load_night(archive)
    page = started(home)
    line = Line(page)
    assert line.do("score").status_code == 200
    line.wait()
    assert len(list((home / "results").glob("*.night.h5"))) == 6

    # the whole of it is what commands make
    from tests.cli.conftest import called

    other = tmp_path / "other"
    other.mkdir()
    for name in names:
        (other / name).write_bytes((recorded / name).read_bytes())
    by_commands(other, called)
    made = load_night(home / "results" / "night-01.night.h5")
    own = load_night(other / "results" / "night-01.night.h5")
    assert made.measures == own.measures
    for action in ("compare", "write-letter"):
        assert line.do(action).status_code == 200
        time.sleep(0.4)
        page.stop(signal.SIGKILL)
        page = started(home)
        line = Line(page)
        assert line.do(action).status_code == 200
        line.wait()
    assert (home / "letter.pdf").is_file()
    assert (home / "results" / "study.report.html").is_file()
