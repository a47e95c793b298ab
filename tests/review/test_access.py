"""Other local users: no secret in a command line, files for their owner alone, no held connection."""

import os
import re
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import httpx
import psutil
import pytest

from sleepbrux.review.access import Door, Entrance, plain
from sleepbrux.review.nights import Nights
from sleepbrux.review.trace import Trace

from .conftest import Served
from .test_server import client_of

posix = pytest.mark.skipif(os.name != "posix", reason="file modes and /proc")


@pytest.fixture
def quick(night, archive):
    """A server that waits for a whole request for half a second."""
    from sleepbrux.archive.journal.file import journal_path
    from sleepbrux.review.session import ReviewSession

    one = Served(Nights.single(ReviewSession(night, journal_path(archive), Trace(night, None))), wait_s=0.5)
    yield one
    one.stop()


def enter(served, code, **more):
    return httpx.post(
        f"{served.origin}/api/enter",
        json={"code": code},
        trust_env=False,
        headers={"Origin": served.origin} | more,
    )


# what opens


def test_a_pass_opens_once():
    entrance, used = Entrance(), []
    one = entrance.once(lambda: used.append(1))
    assert entrance.enter("x" + one) == entrance.enter("") == ""
    assert entrance.enter(one) == entrance.token
    assert used == [1]
    assert entrance.enter(one) == ""


def test_a_code_opens_once_however_it_is_typed_and_the_next_one_is_told():
    told = []
    entrance = Entrance(told.append)
    code = entrance.code()
    assert re.fullmatch(r"[A-HJ-NP-TV-Z2-9]{5}-[A-HJ-NP-TV-Z2-9]{5}", code)
    assert entrance.enter(plain(code)[:-1]) == ""
    assert entrance.enter(f" {code.lower().replace('-', ' ')} ") == entrance.token
    assert entrance.enter(code) == ""
    assert entrance.enter(told[0]) == entrance.token


def test_an_empty_code_opens_nothing_even_before_there_is_one():
    assert Entrance().enter("") == Entrance().enter("-") == ""


def test_a_code_is_changed_for_the_token_over_http_once(served):
    code = served.entrance.code()
    assert enter(served, "wrong").status_code == 403
    assert enter(served, code, Origin="http://evil.example").status_code == 403
    assert enter(served, code, Host="evil.example").status_code == 421
    answer = enter(served, code)
    assert answer.json() == {"token": served.entrance.token}
    assert enter(served, code).status_code == 403
    with client_of(served) as client:
        assert client.get("/api/state").status_code == 200


@posix
@pytest.mark.shows("other-local-user")
def test_the_file_is_its_owners_alone_and_goes_when_it_was_used():
    entrance = Entrance()
    door = Door(entrance, "http://127.0.0.1:1/")
    assert stat.S_IMODE(door.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(door.folder.stat().st_mode) == 0o700
    assert door.folder.stat().st_uid == os.getuid()
    text = door.path.read_text("utf-8")
    assert entrance.token not in text
    one = re.search(r"#pass=([\w-]+)", text)[1]
    assert entrance.enter(one)
    assert not door.folder.exists()


# the command lines of every process


BROWSER = """#!{python}
import sys, time
open({log!r}, "a").write(repr(sys.argv[1:]) + "\\n")
time.sleep(30)
"""


def command_lines():
    lines = []
    for process in psutil.process_iter():
        try:
            lines.append(" ".join(process.cmdline()))
        except psutil.Error:
            continue
    return lines


@posix
@pytest.mark.shows("other-local-user")
def test_no_command_line_of_any_process_ever_holds_what_opens_the_review(archive, tmp_path):
    log, script = tmp_path / "argv", tmp_path / "browser"
    script.write_text(BROWSER.format(python=sys.executable, log=str(log)))
    script.chmod(0o700)
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    environment = os.environ | {"BROWSER": f"{script} %s &", "TMPDIR": str(temporary)}
    seen = []
    with subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "review", str(archive)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    ) as child:
        try:
            origin = child.stdout.readline().split()[-1].rstrip("/")
            code = child.stdout.readline().split()[-1]
            end = time.monotonic() + 30
            while not log.exists() and time.monotonic() < end:
                seen += command_lines()
                time.sleep(0.02)
            for _ in range(20):
                seen += command_lines()
            (door,) = temporary.glob("sleepbrux-review-*/open.html")
            one = re.search(r"#pass=([\w-]+)", door.read_text("utf-8"))[1]
            assert str(door) in log.read_text()
            assert any(door.name in line for line in seen)  # the browser was among those looked at
            headers = {"Origin": origin}
            answer = httpx.post(f"{origin}/api/enter", json={"code": one}, headers=headers, trust_env=False)
            token = answer.json()["token"]
            assert not door.exists()
            assert not door.parent.exists()
            seen += command_lines()
        finally:
            child.terminate()
            for process in psutil.process_iter(["pid", "cmdline"]):
                if str(script) in (process.info["cmdline"] or []):
                    process.kill()
    for secret in (token, one, code, plain(code)):
        assert not [line for line in seen if secret in line]


# connections that ask nothing


def closed(connection, within):
    connection.settimeout(within)
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"GET / HTT",
        b"GET / HTTP/1.1\r\nHost: x\r\n",
        b"POST /api/enter HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nOrigin: http://127.0.0.1:PORT\r\n"
        b"Content-Length: 100\r\n\r\n{",
    ],
)
def test_a_connection_that_asks_nothing_whole_is_closed(quick, sent):
    with socket.create_connection(("127.0.0.1", quick.port)) as connection:
        connection.sendall(sent.replace(b"PORT", str(quick.port).encode()))
        begun = time.monotonic()
        while not closed(connection, 10):  # what is answered meanwhile is read away
            assert time.monotonic() - begun < 10
        assert time.monotonic() - begun < 5


def test_a_second_request_that_never_ends_is_closed_too(quick):
    with socket.create_connection(("127.0.0.1", quick.port)) as connection:
        host = f"Host: 127.0.0.1:{quick.port}\r\n".encode()
        connection.sendall(b"GET /api/nights HTTP/1.1\r\n" + host + b"\r\n")
        assert b"403" in connection.recv(4000)
        connection.sendall(b"GET / HTTP/1.1\r\n")
        begun = time.monotonic()
        while not closed(connection, 10):
            assert time.monotonic() - begun < 10


def test_hundreds_of_half_open_connections_are_timed_out_and_the_page_is_served_meanwhile(quick):
    held = [socket.create_connection(("127.0.0.1", quick.port)) for _ in range(300)]
    try:
        for k, connection in enumerate(held):
            connection.sendall(b"GET / HTTP/1.1\r\n"[: k % 17])
        with client_of(quick) as client:
            assert client.get("/api/state").status_code == 200
        end = time.monotonic() + 20
        while quick.server.server_state.connections and time.monotonic() < end:
            time.sleep(0.1)
        assert not quick.server.server_state.connections
        assert all(closed(connection, 1) for connection in held)
    finally:
        for connection in held:
            connection.close()


def test_a_long_answer_is_not_cut_off_by_the_limit(quick, monkeypatch):
    def slow(*_):
        time.sleep(1.2)
        return {"seq": 0}

    monkeypatch.setattr(type(quick.nights.desk(0)), "state", slow)
    with client_of(quick) as client:
        assert client.get("/api/state").json() == {"seq": 0}


def test_nothing_but_the_file_for_the_browser_is_left_behind(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", None)
    door = Door(Entrance(), "http://127.0.0.1:1/")
    assert [p.name for p in Path(tmp_path).iterdir()] == [door.folder.name]
    door.close()
    door.close()
    assert list(Path(tmp_path).iterdir()) == []
