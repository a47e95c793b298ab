"""The whole way in a browser, from six recordings and a chair recording to a printed letter; counted."""

import shutil

import pytest

from sleepbrux.archive.journal.file import load_journal
from sleepbrux.study.file import load_study

from .conftest import NIGHTS
from .hands import Hands

pytestmark = pytest.mark.browser
MOST_CLICKS, MOST_TYPED = 40, 10


def test_from_recordings_to_a_printed_letter(browser, recorded, started, tmp_path, capsys):
    home = tmp_path / "home"
    home.mkdir()
    hands = Hands(browser)
    hands.come(started(home).entry)

    # a study for a person, and its recordings, dropped together
    hands.type("[name=pseudonym]", "P-01")
    hands.click("form[data-do=start] button[type=submit]")
    hands.at("nights")
    files = hands.find("#files")
    files.send_keys("\n".join(str(p) for p in sorted(recorded.iterdir())))
    hands.clicks += 2
    hands.until(f"document.querySelectorAll('.nights tbody tr').length === {NIGHTS}")
    folder = home / "P-01"
    for path in recorded.iterdir():
        assert (folder / path.name).read_bytes() == path.read_bytes()

    # what was worn
    for k in range(3):
        hands.choose(f"#worn-{k}", "none")
        hands.until(f"document.querySelector('#worn-{k}').value === 'none' && !document.body.dataset.busy")
    hands.choose("#worn-3", "other …")
    hands.type("#other-3", "night guard\n")
    hands.until("document.querySelector('#worn-3').value === 'night guard' && !document.body.dataset.busy")
    for k in (4, 5):
        hands.choose(f"#worn-{k}", "night guard")
        hands.until(
            f"document.querySelector('#worn-{k}').value === 'night guard' && !document.body.dataset.busy"
        )
    assert [n.condition for n in load_study(folder / "study.toml").night] == ["none"] * 3 + [
        "night guard"
    ] * 3

    # the clenches
    hands.until("document.querySelector('#next')?.textContent.includes('clenches of chair-1')")
    hands.click("#next")
    hands.at("clenches/0")
    hands.type("#by", "AB")
    hands.click("#clench-form button[type=submit]")
    hands.until("document.getElementById('main').innerText.includes('Accepted by AB')")

    # scoring
    hands.until("document.querySelector('#next')?.textContent.includes('score 6 nights')")
    hands.click("#next")
    hands.at("score")
    hands.click("#score")
    hands.until(
        "(document.getElementById('scored-said')?.textContent || '').includes('6 nights scored')", 300
    )

    # one night is looked at
    hands.click("#next")
    hands.until("location.pathname === '/review' && document.body.dataset.ready === '1'")
    hands.type("#who", "AB")
    hands.click("[data-do=next]")
    hands.click("[data-do=accept]")
    hands.until("document.body.dataset.seq === '1'")
    hands.click("#home")
    hands.until("document.body.dataset.at === 'nights'")
    hands.until("document.getElementById('main').innerText.includes('1 decision')")
    assert load_journal(folder / "results" / "night-01.review.jsonl").entries[0].who == "AB"

    # the comparison
    hands.click("nav a[href='#compare']")
    hands.until("document.querySelectorAll('#answers li').length === 1", 300)
    assert (folder / "results" / "study.report.html").is_file()

    # the letter
    hands.click("nav a[href='#letter']")
    hands.until("document.getElementById('preview') !== null", 300)
    hands.type("#f-to", "Dr. Example")
    hands.type("#f-question", "Does the guard reduce the episodes?\n")
    hands.until(
        "document.getElementById('preview')?.contentDocument?.body?.innerText.includes('Does the guard reduce')"
    )
    browser.execute_script(
        "window.printed = 0; document.getElementById('preview').contentWindow.print = () => { window.printed += 1; }"
    )
    hands.click("#print")
    assert browser.execute_script("return window.printed") == 1
    hands.click("#write")
    hands.until("document.getElementById('main').innerText.includes('as shown')")
    assert (folder / "letter.pdf").read_bytes().startswith(b"%PDF")
    assert "Dr. Example" in (folder / "letter.html").read_text("utf-8")

    with capsys.disabled():
        print(f"\nfrom folder to letter: {hands.clicks} clicks, {hands.typed} typed fields")
    assert hands.clicks <= MOST_CLICKS
    assert hands.typed <= MOST_TYPED
    assert [e for e in browser.get_log("browser") if e["level"] == "SEVERE"] == []
    asked = [
        e["message"] for e in browser.get_log("performance") if "Network.requestWillBeSent" in e["message"]
    ]
    addresses = [m.split('"url":"')[1].split('"')[0] for m in asked if '"url":"' in m]
    assert all(a.startswith(("http://127.0.0.1:", "data:", "about:")) for a in addresses)
    assert not any(word in a for a in addresses for word in ("P-01", "rec1", "night-0", "chair"))
    shutil.rmtree(folder / "results")
