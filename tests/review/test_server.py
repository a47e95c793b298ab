"""Who is answered: this machine, this token, this page; and what is refused."""

import json
import os
import signal

import httpx
import numpy as np
import pytest


def client_of(served):
    token = served.entrance.token
    headers = {"X-Review-Token": token, "Origin": served.origin}
    return httpx.Client(base_url=served.origin, headers=headers, trust_env=False)


@pytest.fixture
def client(served):
    with client_of(served) as client:
        yield client


def decision(seen, **draft):
    return {"seen": seen, "who": "AB", "draft": draft}


def test_the_page_holds_no_data_and_binds_itself(client, night):
    page = client.get("/", headers={"X-Review-Token": ""})
    assert page.status_code == 200
    assert night.swept.digest not in page.text
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    for name in ("x-frame-options", "referrer-policy", "x-content-type-options"):
        assert name in page.headers
    assert page.headers["cache-control"] == "no-store"
    assert "http" not in page.text.replace("http-equiv", "")


@pytest.mark.parametrize(
    "path", ["/api/night", "/api/state", "/api/progress", "/api/trace?from=0&to=9&width=9"]
)
@pytest.mark.shows("identity-out")
def test_a_wrong_or_missing_token_is_refused(client, served, path):
    assert client.get(path).status_code == 200
    for token in ("", "x", served.entrance.token[:-1], "\u00e9".encode()):
        answer = client.get(path, headers={"X-Review-Token": token})
        assert answer.status_code == 403
        assert "not let in" in answer.json()["error"]


@pytest.mark.shows("identity-out")
def test_another_host_or_origin_is_refused(client, served):
    assert client.get("/", headers={"Host": "evil.example"}).status_code == 421
    assert client.get("/api/night", headers={"Host": f"evil.example:{served.port}"}).status_code == 421
    body = decision(0, action="accept", target="e0")
    for origin in ("http://evil.example", "null", f"http://127.0.0.1:{served.port + 1}"):
        assert client.post("/api/decide", json=body, headers={"Origin": origin}).status_code == 403
    request = client.build_request("POST", "/api/decide", json=body)
    del request.headers["Origin"]
    assert client.send(request).status_code == 403
    assert served.journal.seq == 0


@pytest.mark.shows("lost-decision")
def test_a_decision_is_on_disk_when_it_is_answered(client, served):
    answer = client.post("/api/decide", json=decision(0, action="reject", target="e0", reason="x"))
    assert answer.status_code == 200
    assert answer.json()["seq"] == 1
    assert json.loads(served.path.read_text("utf-8").splitlines()[-1])["target"] == "e0"
    value = answer.json()["measures"]["episodes_per_hour"]["value"]
    before = answer.json()["automatic"]["episodes_per_hour"]["value"]
    assert value == pytest.approx(before * 2 / 3)


def test_episodes_keep_the_numbers_of_the_tables_while_others_are_rejected_or_added(client):
    before = [e["number"] for e in client.get("/api/state").json()["episodes"]]
    assert before == [1, 2, 3]
    body = decision(0, action="reject", target="e0", reason="x")
    rows = client.post("/api/decide", json=body).json()["episodes"]
    assert [(e["number"], e["verdict"]) for e in rows] == [(1, "rejected"), (2, ""), (3, "")]
    body = decision(1, action="add", level="episode", kind="tonic", start_s=80.0, stop_s=84.0)
    rows = client.post("/api/decide", json=body).json()["episodes"]
    assert [e["number"] for e in rows] == [1, 2, 4, 3]


def test_a_second_window_is_told_and_overwrites_nothing(client, served):
    first = client.post("/api/decide", json=decision(0, action="accept", target="e0"))
    assert first.status_code == 200
    late = client.post("/api/decide", json=decision(0, action="reject", target="e0", reason="x"))
    assert late.status_code == 409
    assert late.json()["state"]["seq"] == 1
    assert late.json()["state"]["episodes"][0]["verdict"] == "accepted"
    assert served.journal.seq == 1


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"[]", 400),
        (b'{"seen":0,"who":"AB","draft":{"action":"format"}}', 400),
        (b'{"seen":0,"who":"AB","draft":{"action":"accept","target":"e0","more":1}}', 400),
        (b'{"seen":0,"who":"AB","draft":{"action":"accept","target":"e77"}}', 422),
        (b'{"seen":0,"who":"","draft":{"action":"accept","target":"e0"}}', 422),
        (b'{"seen":0,"who":"AB","draft":{"action":"sample","seed":1}}', 400),
        (b'{"seen":0,"who":"AB","draft":{"action":"judge","target":"e0","accepted":true}}', 422),
        (b'{"seen":0,"who":"' + b"x" * 30000 + b'","draft":{"action":"accept"}}', 413),
    ],
)
def test_what_is_no_decision_is_refused_in_one_sentence(client, served, body, status):
    answer = client.post("/api/decide", content=body)
    assert answer.status_code == status, answer.text
    assert answer.json()["error"]
    assert served.journal.seq == 0


@pytest.mark.parametrize(
    "asked",
    [
        "",
        "from=0&to=9",
        "from=a&to=9&width=9",
        "from=9&to=0&width=9",
        "from=0&to=nan&width=9",
        "from=0&to=9&width=100000",
    ],
)
def test_a_view_that_cannot_be_is_refused(client, asked):
    assert client.get(f"/api/trace?{asked}").status_code == 400


def test_a_view_is_float32_behind_a_head(client):
    data = client.get("/api/trace?from=0&to=180&width=300").content
    size = int.from_bytes(data[:4], "little")
    head = json.loads(data[4 : 4 + size])
    assert [(h["basis"], h["n"]) for h in head] == [("extremes", 300)] * 2 + [("envelope", 300)] * 2
    values = np.frombuffer(data[4 + size :], "<f4").reshape(4, 2, 300)
    known = ~np.isnan(values[:, 1])
    assert known.mean() > 0.9
    assert (values[:, 1] >= values[:, 0])[known].all()
    assert (values[:2, 0][known[:2]] < 0).any()  # the signal goes both ways, the envelope does not
    assert (values[2:, 0][known[2:]] >= 0).all()


@pytest.mark.shows("lost-decision")
def test_a_full_disk_is_told_and_nothing_is_shown_as_decided(client, served, monkeypatch):
    from sleepbrux.review import session

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(session, "append", full)
    answer = client.post("/api/decide", json=decision(0, action="accept", target="e0"))
    assert answer.status_code == 507
    assert "No space left" in answer.json()["error"]
    assert client.get("/api/state").json()["seq"] == 0


@pytest.mark.skipif(os.name != "posix", reason="sends Ctrl-C")
def test_ctrl_c_ends_the_command_with_what_was_decided(archive, process):
    child, address, code = process
    origin = address.rstrip("/")
    given = httpx.post(
        f"{origin}/api/enter", json={"code": code}, headers={"Origin": origin}, trust_env=False
    )
    token = given.json()["token"]
    answer = httpx.post(
        f"{origin}/api/decide",
        json=decision(0, action="reject", target="e0", reason="x"),
        headers={"X-Review-Token": token, "Origin": origin},
        trust_env=False,
    )
    assert answer.status_code == 200
    child.send_signal(signal.SIGINT)
    said = child.stdout.read()
    assert child.wait(timeout=30) == 0
    assert "1 rejected" in said
    assert "n.reviewed.report.html" in said
    assert (archive.parent / "n.reviewed.report.html").is_file()


def test_a_journal_that_is_damaged_while_it_is_reviewed_is_said_and_not_written_to(client, served):
    assert client.post("/api/decide", json=decision(0, action="accept", target="e0")).status_code == 200
    damaged = served.path.read_bytes().replace(b'"accept"', b'"reject"')
    served.path.write_bytes(damaged)
    answer = client.get("/api/state")
    assert answer.status_code == 500
    assert "line 2 was changed" in answer.json()["error"]
    answer = client.post("/api/decide", json=decision(1, action="accept", target="e1"))
    assert answer.status_code == 422
    assert "line 2 was changed" in answer.json()["error"]
    assert served.path.read_bytes() == damaged


def test_a_journal_brought_back_while_it_is_reviewed_is_what_the_page_shows(client, served):
    from sleepbrux.archive.journal.chain import head_path

    client.post("/api/decide", json=decision(0, action="accept", target="e0"))
    kept = served.path.read_bytes(), head_path(served.path).read_bytes()
    for path in (served.path, head_path(served.path)):
        path.unlink()
    assert client.get("/api/state").json()["seq"] == 0
    client.post("/api/decide", json=decision(0, action="reject", target="e1", reason="x"))
    served.path.write_bytes(kept[0])
    head_path(served.path).write_bytes(kept[1])
    state = client.get("/api/state").json()
    assert [e["verdict"] for e in state["episodes"]] == ["accepted", "", ""]


def test_nights_are_opened_when_asked_for_and_one_that_cannot_be_says_so(several):
    origin = several.origin
    headers = {"X-Review-Token": several.entrance.token, "Origin": origin}
    with httpx.Client(base_url=origin, headers=headers, trust_env=False) as client:
        table = client.get("/api/nights").json()
        assert [row["name"] for row in table] == ["first", "second", "third"]
        body = decision(0, action="accept", target="e0")
        assert client.post("/api/decide?night=1", json=body).status_code == 200
        assert [p.exists() for p in several.paths] == [False, True]
        assert client.get("/api/state?night=2").json()["error"] == "its journal is damaged"
        for other in ("3", "-1", "x", "9" * 30, ""):
            answer = client.get(f"/api/state?night={other}")
            assert answer.status_code == 500
            assert "there is no night" in answer.json()["error"]
