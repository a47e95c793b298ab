"""What was written before something was changed: it says so on the page, with the step that mends it."""

import re
from io import BytesIO
from zipfile import ZipFile

from sleepbrux.practice.compared import shown_conditions
from sleepbrux.study.editing import Place, set_fields


def next_of(html):
    return re.sub("<[^>]+>", "", html.split("Next step:")[1].split("</p>")[0]).strip()


def outdated(page, screen):
    html = page.screen(screen)
    page.wait()
    found = re.search(r'id="outdated">(.*?)</p>', html, re.DOTALL)
    return found[1] if found else ""


def scored_anew(page):
    answer = page.do("score")
    if "ask" in answer:
        page.do("score", **answer["answers"][0][1])


def test_a_changed_condition_puts_reports_comparison_and_letter_out_of_date(over):
    over.do("compare")
    over.do("write-letter")
    assert [outdated(over, screen) for screen in ("compare", "letter", "files")] == ["", "", ""]
    assert "Out of date" not in over.screen("files")
    over.do("night", n=2, condition="night guard")
    assert next_of(over.screen("nights")) == "score 1 night"
    for screen in ("compare", "letter", "files"):
        assert (
            "its report says that &#39;none&#39; was worn, the study file &#39;night guard&#39;"
            in outdated(over, screen)
        )
    question = over.do("score")["ask"]
    assert "1 night will be scored anew" in question
    assert "Decisions" not in question
    scored_anew(over)
    assert "night guard" in (over.practice.results / "night-03.report.html").read_text("utf-8")
    html = over.screen("files")
    assert 'id="outdated"' not in html
    assert html.count("Out of date") == 2
    assert "nights were scored or decided on since the letter was written" in html
    over.do("compare")
    over.do("write-letter")
    assert "Out of date" not in over.screen("files")


def test_another_baseline_or_outcome_puts_the_comparison_out_of_date_and_a_note_does_not(over):
    over.do("compare")
    over.do("night", n=0, note="slept badly")
    assert "Out of date" not in over.screen("files")
    set_fields(over.practice.study_file, Place(), {"primary_outcome": "bursts_per_hour"})
    assert "the study file was changed since the conditions were compared" in over.screen("files")


def test_clenches_accepted_anew_or_taken_back_put_the_nights_out_of_date(over):
    over.do("clenches", n=0)
    over.do("accept", n=0, numbers="1,3", moved="", by="AB", teeth="natural")
    html = over.screen("nights")
    assert html.count("the reference clenches were chosen anew after it was scored") == 6
    assert next_of(html) == "score 6 nights"
    scored_anew(over)
    assert "score anew:" not in over.screen("nights")
    # taken back: the file of the clenches is that of before, and no night is scored by it any more
    over.do("undo")
    html = over.screen("nights")
    assert html.count("the reference clenches were chosen anew after it was scored") == 6
    (over.practice.home / "chair.edf.clenches.toml").unlink()
    html = over.screen("nights")
    assert html.count("the reference clenches that it was scored by are not accepted any more") == 6
    assert next_of(html) == "look at the clenches of chair-1"


def signs_of(html):
    """Class and shape of each condition's sign, by its name, out of a legend."""
    found = re.findall(
        r'<li><svg[^>]*><path class="(c\d+)" d="([^"]+)"/></svg> ([^<]+)</li>', html.replace("\n", "")
    )
    return {name.strip(): (kind, shape) for kind, shape, name in found}


def test_page_and_report_draw_a_condition_with_one_sign_whatever_stands_first(over):
    file = over.practice.study_file
    set_fields(file, Place(), {"baseline": "night guard"})
    assert shown_conditions(over.practice.study, over.practice.results) == ("night guard", "none")
    before = signs_of(over.screen("nights"))
    over.do("compare")
    report = signs_of((over.practice.results / "study.report.html").read_text("utf-8"))
    after = signs_of(over.screen("nights"))
    assert before == after
    assert {name: sign for name, sign in report.items() if name == "night guard"} == {
        "night guard": after["night guard"]
    }
    assert sorted(report.values()) == sorted(after.values())


def test_forty_conditions_have_forty_signs():
    from sleepbrux.report.axes import condition_sign

    assert len({condition_sign(k, 8, 8) for k in range(40)}) == 40


def test_files_are_listed_once_and_each_kind_is_saved_as_one(over):
    over.do("compare")
    over.do("export", csv="yes", json="yes", study="yes")
    html = over.screen("files")
    assert html.count(">study.report.html<") == 1
    row = html.split('<th scope="row">episodes.csv</th>')[1].split("</tr>")[0]
    address = re.search(r'href="(/file/[^"]+)" aria-label="all of episodes.csv', row)[1]
    answer = over.client.get(address)
    assert answer.headers["content-disposition"].endswith("episodes.csv.zip")
    files = over.practice.results / "files"
    with ZipFile(BytesIO(answer.content)) as archive:
        assert archive.namelist() == sorted(p.name for p in files.glob("*.episodes.csv"))
        assert len(archive.namelist()) == 6
        for name in archive.namelist():
            assert archive.read(name) == (files / name).read_bytes()
    assert over.client.get(address).content == answer.content


def test_a_night_under_review_is_the_archived_one_and_only_the_last_is_held(over):
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.journal.file import scoring_digest
    from sleepbrux.practice.doing import Question
    from sleepbrux.practice.reviewing import ASKED, Reviewing, on_disk

    own = load_night(over.practice.results / "night-01.night.h5")
    mapped = on_disk(own)
    assert scoring_digest(mapped) == scoring_digest(own)
    for a, b in zip(own.swept.frames, mapped.swept.frames, strict=True):
        for name in ("energy", "rectified", "stats"):
            assert getattr(a, name).tobytes() == getattr(b, name).tobytes()
    ASKED.set(Question(over.practice.study_file, "GET", "/api/night"))
    reviewing = Reviewing()
    nights = reviewing.nights()
    first = nights.desk(0)
    nights.desk(1)
    assert first.trace._stopped
    assert list(nights._open) == [1]
    nights.close()


def decide(page, seen, **draft):
    body = {"seen": seen, "who": "AB", "draft": draft}
    answer = page.client.post("/api/decide?night=0", json=body, headers=page.headers)
    assert answer.status_code == 200, answer.text


def test_outputs_are_out_of_date_by_what_they_were_made_of_and_not_by_what_was_clicked(over):
    over.do("compare")
    over.do("write-letter")
    assert "Out of date" not in over.screen("files")
    # a sample that is judged changes no output, and neither does a decision that was taken back
    over.do("sample", n=0, size="3")
    item = {"seen": 1, "who": "AB", "place": 0, "draft": {"action": "judge", "accepted": True}}
    answer = over.client.post("/api/sample/decide?night=0", json=item, headers=over.headers)
    assert answer.status_code == 200, answer.text
    assert "Out of date" not in over.screen("files")
    decide(over, 2, action="accept", target="e0")
    assert over.screen("files").count("nights were scored or decided on since") == 2
    decide(over, 3, action="undo", undoes=3)
    assert "Out of date" not in over.screen("files")
    # the page of the comparison shows clench tests, the letter does not
    (over.practice.results / "chair.clench.json").write_text('{"name": "chair", "channels": []}', "utf-8")
    html = over.screen("files")
    assert html.count("Out of date") == 1
    assert "clenches were compared since the conditions were" in html
    over.do("compare")
    # fields that are written anew as they were, and a copy whose times are lost, change nothing
    fields = over.practice.study_file.with_name("letter.fields.toml")
    over.do("letter", question="")
    if fields.exists():
        fields.touch()
    for path in over.practice.results.iterdir():
        path.touch()
    assert "Out of date" not in over.screen("files")
    over.do("letter", question="another one")
    assert "its fields were changed since the letter was written" in over.screen("files")
