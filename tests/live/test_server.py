"""The session over HTTP: who is answered, what comes, what is asked for."""

import json
import time

import httpx
import pytest

from sleepbrux.live.words import CAUTIONS


@pytest.fixture
def client(by_hand):
    headers = {"X-Review-Token": by_hand.entrance.token, "Origin": by_hand.origin}
    with httpx.Client(base_url=by_hand.origin, headers=headers, trust_env=False) as client:
        yield client


def test_the_page_holds_no_data_and_binds_itself(client, by_hand):
    page = client.get("/", headers={"X-Review-Token": ""})
    assert page.status_code == 200
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert by_hand.session.engine.chosen.info.name not in policy
    for caution in CAUTIONS:
        assert caution in page.text


@pytest.mark.parametrize("path", ["/api/fixed", "/api/state", "/api/stream", "/api/result"])
def test_a_wrong_or_missing_token_is_refused(client, path):
    for token in ("", "x"):
        assert client.get(path, headers={"X-Review-Token": token}).status_code == 403


def test_another_host_or_another_page_is_refused(client, by_hand):
    assert client.get("/api/state", headers={"Host": "example.org"}).status_code == 421
    wish = {"what": "begin"}
    assert client.post("/api/do", json=wish, headers={"Origin": "http://example.org"}).status_code == 403
    assert by_hand.session.protocol.phase == "check"


def test_points_of_the_envelope_come_line_by_line_each_once(client):
    with client.stream("GET", "/api/stream") as response:
        assert response.status_code == 200
        at, n, states = None, 0, 0
        for text in response.iter_lines():
            line = json.loads(text)
            states += "s" in line
            if "e" in line:
                assert all(len(point) == 2 for point in line["e"])
                if at is not None:
                    assert line["n"] - at == len(line["e"])
                at = line["n"]
                n += 1
            if n > 40 and states > 2:
                break


def test_what_is_asked_for_is_done_or_refused_in_one_sentence(client, by_hand):
    assert client.post("/api/do", json={"what": "begin"}).json()["phase"] == "rest"
    again = client.post("/api/do", json={"what": "begin"})
    assert again.status_code == 422
    assert again.json()["error"] == "nothing is to be begun now; the part before is not over"
    unknown = client.post("/api/do", json={"what": "praise"})
    assert "is no command" in unknown.json()["error"]
    assert client.post("/api/do", json={"what": "drop", "number": 7, "reason": "pain"}).status_code == 422
    assert client.post("/api/do", json={"nonsense": 1}).status_code == 400
    assert client.get("/api/result").status_code == 409
    assert client.post("/api/do", json={"what": "end"}).json()["phase"] == "done"
    end = time.monotonic() + 20
    while not by_hand.session.closed and time.monotonic() < end:
        time.sleep(0.05)
    result = client.get("/api/result").json()
    assert result["html"] == ""
    assert "no mark with a duration names a clench" in result["refusal"]


def test_a_session_over_is_over(client, by_hand):
    client.post("/api/do", json={"what": "end"})
    end = time.monotonic() + 20
    while not by_hand.session.closed and time.monotonic() < end:
        time.sleep(0.05)
    assert client.post("/api/do", json={"what": "begin"}).json()["error"] == (
        "the session is over; nothing more is recorded"
    )
    with client.stream("GET", "/api/stream") as response:
        lines = list(response.iter_lines())
    assert json.loads(lines[0])["s"]["closed"]
