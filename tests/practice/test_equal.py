"""The same study made once by the page and once by commands: the bytes of every file are the same."""

from datetime import datetime

import httpx
import pytest

from sleepbrux.analysis.comparison.fixing import load_record, record_path
from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import deciding
from sleepbrux.archive.journal.file import load_journal
from sleepbrux.review.trace import Trace
from sleepbrux.study.file import load_study
from tests.cli.conftest import called
from tests.review.conftest import Served

from .asking import Asking, Inside

NOW = datetime(2026, 3, 9, 8, 0, 0)


class Frozen(datetime):
    """A clock that stands."""

    @classmethod
    def now(cls, tz=None):
        return NOW.replace(tzinfo=tz)


def command(*words):
    done = called(*words)
    assert done.code in (0, 1), done
    return done


def same(one, other, *names):
    for name in names:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


def files(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())


@pytest.fixture
def page(tmp_path):
    home = tmp_path / "page"
    home.mkdir()
    asking = Asking(home)
    asking.practice.reviewer = Inside()  # whose clock this test holds
    yield asking
    asking.stop()


def review_by_command(archive, draft):
    """A decision as the page of ``sleepbrux review`` sends it."""
    night = load_night(archive)
    served = Served.of(night, archive, Trace(night, None))
    answer = httpx.post(
        f"{served.origin}/api/decide",
        json={"seen": 0, "who": "AB", "draft": draft},
        headers={"X-Review-Token": served.entrance.token, "Origin": served.origin},
    )
    served.stop()
    assert answer.status_code == 200, answer.text


def test_page_and_commands_leave_the_same_bytes_at_every_step(page, recorded, tmp_path, monkeypatch):
    monkeypatch.setattr(deciding, "datetime", Frozen)
    own, other = page.practice.home / "P-01", tmp_path / "commands"
    other.mkdir()

    # recordings, and the study file drafted and filled in
    page.do("start", pseudonym="P-01", where="new")
    for path in sorted(recorded.iterdir()):
        assert page.send(path.name, path.read_bytes()).status_code == 200
        (other / path.name).write_bytes(path.read_bytes())
    command("study", "new", other, "--nights", 0)
    study = other / "study.toml"
    command("study", "set", study, "pseudonym=P-01", f"study_id={load_study(own / 'study.toml').study_id}")

    # by the page the recordings came after the study file: the command adds them to an empty one as well
    empty = tmp_path / "empty"
    empty.mkdir()
    command("study", "new", empty, "--nights", 0)
    study_id = load_study(own / "study.toml").study_id
    command("study", "set", empty / "study.toml", "pseudonym=P-01", f"study_id={study_id}")
    same(own, empty, "study.toml")
    study.write_bytes((empty / "study.toml").read_bytes())
    page.arrive()
    command("study", "add", study)
    same(own, other, "study.toml")
    for k in range(6):
        worn = "none" if k < 3 else "night guard"
        page.do("night", n=k, condition=worn)
        command("study", "set", study, "--night", f"night-{k + 1:02d}", f"condition={worn}")
    page.do("night", n=3, appliance_in="22:30", morning_jaw_pain="2")
    command("study", "set", study, "--night", "night-04", "appliance_in=22:30", "morning_jaw_pain=2")
    page.do("letter-study", dates="true")
    command("study", "set", study, "--letter", "dates=true")
    same(own, other, "study.toml")

    # clenches, one of them moved
    page.do("accept", n=0, numbers="1,2,3", moved="2=53.100:55.500", by="AB", teeth="natural")
    assert page.practice.worker.last.error == ""
    command(
        "reference",
        other / "chair.edf",
        *("--clenches", "1-3", "--move", "2=53.1,55.5", "--accept-by", "AB", "--teeth", "natural"),
    )
    same(own, other, "chair.edf.clenches.toml", "results/chair.edf.reference.html")
    same(own, other, "results/chair.edf.reference.json")

    # scores
    page.do("score")
    assert page.practice.worker.last.result["scored"] == 6
    command("score", "--study", study)
    assert files(own / "results") == files(other / "results")
    same(own / "results", other / "results", *files(own / "results"))
    records = [load_record(record_path(folder / "study.toml")) for folder in (own, other)]
    assert records[0].settings == records[1].settings
    assert [e.kind for e in records[0].entries] == [e.kind for e in records[1].entries]

    # a decision, and the reviewed files
    draft = {"action": "accept", "target": "e0"}
    answer = page.client.post(
        "/api/decide?night=0", json={"seen": 0, "who": "AB", "draft": draft}, headers=page.headers
    )
    assert answer.status_code == 200, answer.text
    review_by_command(other / "results" / "night-01.night.h5", draft)
    same(own / "results", other / "results", "night-01.review.jsonl")
    assert load_journal(own / "results" / "night-01.review.jsonl").entries[0].who == "AB"
    page.screen("nights")
    page.wait()
    command("review", other / "results" / "night-01.night.h5", "--result")
    assert files(own / "results") == files(other / "results")
    same(own / "results", other / "results", *files(own / "results"))

    # the comparison
    page.do("compare")
    assert page.practice.worker.last.error == ""
    command("compare", study)
    made = [n for n in files(own / "results") if n.startswith("study.")]
    assert len(made) == 7
    same(own / "results", other / "results", *made)

    # a plan from its own nights
    page.do("plan", spread="own nights", design="A-B-A", conditions="none\nnight guard", start="")
    command("plan", "--study", study, "--out", other / "results")
    same(own / "results", other / "results", "plan.csv", "plan.json")

    # the letter
    page.do("letter", question='Does the guard "work"?', own_words="one\ntwo")
    page.do("write-letter")
    form = other / "letter.fields.toml"
    command("letter", "--new-fields", form, "--study", study)
    text = form.read_text("utf-8")
    text = text.replace('\nquestion = ""', '\nquestion = "Does the guard \\"work\\"?"')
    form.write_text(text.replace('\nown_words = ""', '\nown_words = "one\\ntwo"'), "utf-8")
    command("letter", "--study", study, "--fields", form)
    same(own, other, "letter.fields.toml", "letter.html", "letter.pdf")

    # sheets and files for other programs
    page.do("sheets")
    command("protocol", study)
    same(own, other, "P-01.chair-sheet.pdf", "P-01.patient-sheet.pdf")
    page.do("export", csv="yes", json="yes", edf="yes", fhir="yes", study="yes")
    archives = sorted((other / "results").glob("*.night.h5"))
    command("export", *archives, "--out", other / "results" / "files")
    assert files(own / "results" / "files") == files(other / "results" / "files")
    same(own / "results" / "files", other / "results" / "files", *files(own / "results" / "files"))
    assert files(own) == files(other)
    for path in recorded.iterdir():
        assert (own / path.name).read_bytes() == path.read_bytes(), path.name
