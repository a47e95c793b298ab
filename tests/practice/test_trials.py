"""Nights planned, clenches compared by appliance and a sample judged: the page leaves what the commands leave."""

import re
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import click
import pytest

from sleepbrux.analysis.plan_arguments import ARGUMENTS
from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import deciding, journal_path
from sleepbrux.cli import plan as plan_command
from sleepbrux.cli.review import Asked, _opener
from sleepbrux.core.errors import UsageError
from sleepbrux.practice import trials
from sleepbrux.recording.opening import Hints
from sleepbrux.review.nights import Place
from sleepbrux.review.sampling import last_sample
from sleepbrux.study.file import load_study
from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.render import write_night
from tests.cli.conftest import called

from .asking import Asking, Inside

TESTED = plan_reference([(NATURAL, 1.0), ("Clench with splint", 0.9)], seed=4, mvc_uv=(215.0, 190.0))


class Frozen(datetime):
    """A clock that stands."""

    @classmethod
    def now(cls, tz=None):
        return datetime(2026, 3, 9, 8, 0, 0, tzinfo=tz)


def command(*words):
    done = called(*words)
    assert done.code == 0, done
    return done


@pytest.fixture(scope="module")
def scored(tmp_path_factory):
    """A study of one scored night, whose chair recording holds clenches with and without a splint."""
    folder = tmp_path_factory.mktemp("scored")
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=1)
    write_night(plan, folder / "rec1.edf", start=datetime(2026, 3, 2, 22, 40))
    write_night(TESTED, folder / "chair.edf", start=datetime(2026, 3, 1, 17, 0))
    study = folder / "study.toml"
    command("study", "new", folder, "--nights", 0)
    command("study", "set", study, "pseudonym=P-01")
    command("study", "set", study, "--night", "night-01", "condition=none")
    command("score", "--study", study)
    return folder


@pytest.fixture
def page(scored, tmp_path):
    """The page over a copy of it; another copy lies in ``commands``."""
    for name in ("page", "commands"):
        shutil.copytree(scored, tmp_path / name)
    one = Asking(tmp_path / "page")
    yield one
    one.stop()


@pytest.fixture
def other(tmp_path):
    return tmp_path / "commands"


def files(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def done(page, action, **fields):
    answer = page.do(action, **fields)
    last = page.practice.worker.last
    assert last is None or not last.error, last.error
    return answer


def linked(page, html, name):
    """The bytes of a file that a screen links by its name."""
    address = html.split(f">{name}</a>")[0].rsplit('href="', 1)[1].split('"')[0]
    answer = page.client.get(address)
    assert answer.status_code == 200
    return answer.content


def test_the_form_asks_for_every_argument_of_the_command(page):
    # --study is the study that is open; --results, --out and --fix are its folder and what scoring does by itself
    asked = {option.name for option in plan_command.command.params} - {"study", "results", "out", "fixed"}
    assert asked == set(ARGUMENTS)
    form = page.screen("compare").split('id="plan-form"')[1].split("</form>")[0]
    assert set(re.findall(r' name="(\w+)"', form)) == set(ARGUMENTS)
    for option in plan_command.command.params:
        if option.name in ARGUMENTS and isinstance(option.type, click.Choice):
            chosen = form.split(f'name="{option.name}"')[1].split("</select>")[0]
            assert all(f">{name}<" in chosen or f'"{name}"' in chosen for name in option.type.choices)


EVERYTHING = {
    "rate": "4",
    "hours": "6.5",
    "spread": "",
    "cv_pct": "25",
    "ratio": "0.4, 0.6",
    "power": "0.7",
    "design": "randomised nights",
    "contrasts": "2",
    "looks": "6,9,12",
    "most_nights": "30",
    "schedule": "randomised blocks",
    "conditions": "none\nguard, upper\nsplint",
    "nights": "5",
    "start": "2026-03-02",
    "seed": "7",
}


def options_of(fields):
    words = []
    for name, text in fields.items():
        parts = (
            text.splitlines()
            if name == "conditions"
            else re.split(r", ", text)
            if name == "ratio"
            else [text]
        )
        words += [word for part in parts if part for word in (f"--{name.replace('_', '-')}", part)]
    return words


PLAIN = {
    "rate": "4",
    "hours": "6.5",
    "spread": "lavigne2001 episodes",
    "schedule": "randomised blocks",
    "conditions": "none\nguard, upper",
    "start": "2026-03-02",
}


def test_a_plan_before_the_first_recording_leaves_what_the_command_leaves_and_is_found_again(page, other):
    nights = page.screen("nights")
    assert 'id="also" href="#compare">or plan how many nights are needed' in nights
    done(page, "plan", at="compare", **PLAIN)
    command("plan", *options_of(PLAIN), "--out", other / "results")
    assert files(page.practice.home) == files(other)
    again = Asking(page.practice.home)
    for html in (page.screen("compare"), again.screen("compare")):
        assert "would detect a true halving in" in html
        assert "Lavigne 2001" in html
        # four nights in each and the first one left out: three whole pairs, 2 ** 3 arrangements
        assert "cannot detect" in html
        assert '<td class="n">0.1250</td>' in html
        assert "2026-03-02 " in html
    again.stop()
    html = page.screen("compare")
    for name in ("plan.csv", "plan.json", "schedule.csv", "schedule.toml"):
        assert linked(page, html, name) == (other / "results" / name).read_bytes()
    assert "plan.csv" in page.screen("files")
    assert 'id="also"' not in page.screen("nights")


def test_a_plan_with_every_field_filled_in_leaves_what_the_command_leaves(page, other):
    done(page, "plan", at="compare", **EVERYTHING)
    command("plan", *options_of(EVERYTHING), "--out", other / "results")
    assert files(page.practice.home) == files(other)
    assert "looks = [6, 9, 12]" in (other / "results" / "schedule.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"rate": "0"}, "above 0"),
        ({"rate": "nan"}, "above 0"),
        ({"rate": ""}, "rate: write how many"),
        ({"hours": "25"}, "up to 24"),
        ({"conditions": "none"}, "two conditions"),
        ({"conditions": "none\nnone"}, "two conditions"),
        ({"start": "yesterday"}, "a date such as"),
        ({"start": ""}, "needs the date"),
        ({"design": "x"}, "one of A-B, "),
        ({"spread": "x"}, "one of lavigne2001"),
        ({"spread": ""}, "one of both"),
        ({"cv_pct": "20"}, "one of both"),
        ({"looks": "9,6"}, "rising"),
        ({"power": "1"}, "up to 0.99"),
        ({"seed": "-1"}, "a whole number from 0"),
        ({"ratio": "0.5, x"}, "a number above 0"),
    ],
)
def test_a_field_of_the_plan_that_cannot_be_is_one_sentence(wrong, said):
    practice = SimpleNamespace(known=None, worker=None, study_file=None)  # nothing is asked of the worker
    with pytest.raises(UsageError, match=re.escape(said)):
        trials.plan(practice, PLAIN | wrong)


def test_the_clench_test_leaves_what_the_command_leaves_and_is_shown(page, other):
    assert [r.recording for r in load_study(other / "study.toml").reference] == ["chair.edf"]
    done(page, "clench-test", at="clenches/0")
    said = command("clench", other / "study.toml", "--out", other / "results")
    assert files(page.practice.home) == files(other)
    again = Asking(page.practice.home)
    for html in (page.screen("clenches/0"), again.screen("clenches/0")):
        answers = html.split('id="clench-answers"')[1].split("</ul>")[0]
        assert said.out.splitlines()[0] in answers
    again.stop()
    html = page.screen("clenches/0")
    assert linked(page, html, "chair.clench.json") == (other / "results" / "chair.clench.json").read_bytes()
    assert linked(page, html, "chair.clench.html") == (other / "results" / "chair.clench.html").read_bytes()
    assert "chair.clench.json" in page.screen("files")


def test_clenches_under_one_condition_are_no_test_and_leave_nothing(page):
    home = page.practice.home
    write_night(replace(TESTED, cues=TESTED.cues[: len(TESTED.cues) // 2]), home / "chair.edf")
    before = files(home)
    page.do("clench-test", at="clenches/0")
    assert "no reference recording holds clenches under two conditions" in page.screen("clenches/0")
    assert files(home) == before


def test_a_sample_is_drawn_as_the_command_draws_it_and_judged_blind(page, other, monkeypatch):
    monkeypatch.setattr(deciding, "datetime", Frozen)
    monkeypatch.setattr("secrets.randbelow", lambda _: 7)
    page.practice.reviewer = Inside()
    assert page.answer("sample", n=0, size="0").status_code == 422
    assert page.answer("sample", n=0, size="x").status_code == 422
    assert page.do("sample", n=0, size="3")["go"] == "/sample#night=0"
    get = page.client.get
    assert get("/sample").status_code == 200
    assert get("/api/sample/night", params={"night": 0}).status_code == 403
    archive = Path(other / "results" / "night-01.night.h5")
    asked = Asked(None, "", 3, None, new_sample=False, hints=Hints(), study=other / "study.toml")
    desk = _opener(asked)(Place("night-01", archive))
    assert files(page.practice.home) == files(other)

    fixed = get("/api/sample/night", params={"night": 0}, headers=page.headers).json()
    assert fixed["sampled"] is True
    assert {c["threshold"] for c in fixed["channels"]} == {None}
    state = get("/api/sample/state", params={"night": 0, "who": "AB"}, headers=page.headers).json()
    assert state["of"] == len(last_sample(desk._journal).items) > 1
    assert all(set(item) == {"id", "start_s", "stop_s"} for item in state["items"])
    body = {"seen": 1, "who": "AB", "place": 0, "draft": {"action": "judge", "accepted": True}}
    judged = page.client.post("/api/sample/decide?night=0", json=body, headers=page.headers)
    assert judged.status_code == 200, judged.text
    assert judged.json()["decided"] == 1
    # the open review of the same night is another page: it shows no item and takes no judgement
    assert get("/api/night", params={"night": 0}, headers=page.headers).json()["sampled"] is False
    answer = page.client.post("/api/decide?night=0", json=body | {"seen": 2}, headers=page.headers)
    assert answer.status_code == 422

    # a sample is no decision on the night: nothing is reviewed, and no reviewed report is due
    row = page.practice.rows(page.practice.study)[0]
    assert (row.decisions, row.written) == (0, True)
    page.screen("nights")
    assert not page.practice.worker.busy("reviewed")
    before = journal_path(page.practice.results / "night-01.night.h5").read_bytes()
    page.do("sample", n=0, size="5")  # goes on with the last
    assert journal_path(page.practice.results / "night-01.night.h5").read_bytes() == before
    page.do("sample", n=0, size="5", anew="yes")
    assert load_night(archive).episodes is not None
    after = journal_path(page.practice.results / "night-01.night.h5").read_bytes()
    assert after.startswith(before)
    assert after != before
