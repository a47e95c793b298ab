"""The letter: what stands in it, that nothing typed into it runs, and how its pages look."""

import io
import re
from dataclasses import replace

import numpy as np
import pypdf
import pytest

from sleepbrux.analysis.comparison import compare_nights
from sleepbrux.analysis.comparison.ratio import rate_ratio
from sleepbrux.analysis.comparison.sentences import ALIKE
from sleepbrux.core.errors import UsageError
from sleepbrux.core.provenance import Review
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.export.summary import report_id
from sleepbrux.report.letter import (
    Fields,
    fields_template,
    from_study,
    letter_answer,
    letter_html,
    letter_pdf,
    load_fields,
    sentences,
)
from sleepbrux.report.letter.compared import NightsCompared, compared, counted_nights
from sleepbrux.report.letter.content import BLANKS, content, letter_id
from sleepbrux.report.letter.fields import ABOUT
from sleepbrux.report.letter.nights import Letter, light
from sleepbrux.report.letter.rule import rule_words
from sleepbrux.report.letter.typeset import LEAST_FILLED_PT, extent, fitting_layout
from sleepbrux.study.file import Study, StudyLetter, StudyNight
from tests.words import plain as undated
from tests.words import refused, too_long

from .conftest import letter_of

ENTERED = {
    "name": "Jane Doe",
    "born": "1961",
    "to": "Dr S",
    "sender": "Dr B",
    "date": "9 March",
    "question": "Apnoea before a splint?",
    "snoring": "every night",
    "witnessed_apnoea": "twice",
    "sleepiness_score": "ESS 11",
    "blood_pressure": "138/86",
    "medication": "sertraline 50 mg",
    "known_apnoea_index": "7/h (2023)",
    "appliance_type": "stabilisation splint",
    "appliance_arch": "upper",
    "trace_looked_at_by": "nobody",
    "sex": "female",
    "recorder": "two channels, gain 1000",
    "electrodes": "Ag/AgCl, 20 mm",
    "filters": "20–450 Hz",
    "dental_findings": "wear of canines",
    "pain": "temples, 4 of 10",
    "awake_clenching": "most days",
    "caffeine": "three cups",
    "alcohol": "none",
    "own_words": "Wakes with tight temples.",
}
HOSTILE = '#read("/etc/passwd") *b* _i_ $x^2$ <l> @r [c] \\ // c /* d */ `r` "q" #panic("!")'


def pages(pdf):
    """Text of each page, white space joined."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def told(pdf):
    return " ".join(pages(pdf))


def plain(text):
    """Without the spaces and hyphens that a line break may add or take."""
    return re.sub(r"[\s\u00ad-]", "", text)


@pytest.fixture(scope="module")
def single(one):
    return letter_pdf(one, Fields())


@pytest.fixture(scope="module")
def full(four):
    return letter_pdf(four, Fields(**ENTERED))


def test_it_has_one_page_or_two(single, full):
    assert len(pages(single)) in (1, 2)
    assert len(pages(full)) in (1, 2)


def test_the_same_letter_has_the_same_bytes(one, single):
    assert letter_pdf(one, Fields()) == single


def test_it_is_the_same_without_the_amplitudes_over_time(four):
    lean = [replace(letter, night=light(letter.night)) for letter in four]
    assert all(f.energy.size == f.rectified.size == 0 for x in lean for f in x.night.swept.frames)
    assert letter_pdf(lean, Fields()) == letter_pdf(four, Fields())
    assert letter_html(lean, Fields()) == letter_html(four, Fields())


def test_it_is_tagged_and_says_its_language_and_title(single):
    catalog = pypdf.PdfReader(io.BytesIO(single)).trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"]
    assert catalog["/Lang"] == "en"
    assert "/StructTreeRoot" in catalog
    assert catalog["/ViewerPreferences"]["/DisplayDocTitle"]
    assert b"pdfuaid:part" in catalog["/Metadata"].get_data()


def test_only_fonts_that_come_with_it_are_used(single):
    names = set()
    for page in pypdf.PdfReader(io.BytesIO(single)).pages:
        for font in page["/Resources"]["/Font"].values():
            names.add(str(font.get_object()["/BaseFont"]).split("+")[-1])
    assert names
    assert all(re.match(r"(Libertinus|DejaVuSansMono|NewCM)", name) for name in names), names


def test_every_page_names_report_archive_and_purpose(single, full, one, four):
    for text in pages(single):
        assert report_id(one[0].night) in text
        assert one[0].archive_sha256 in text
    for text in pages(full):
        assert letter_id(four, Fields(**ENTERED)) in text
        assert plain(PURPOSE) in plain(text)
        assert "Automatic scoring, not reviewed." in text
    for letter in four:
        assert f"{report_id(letter.night)} {letter.archive_sha256[:8]}" in told(full)


def test_what_was_found_stands_with_interval_hours_and_basis(single, one):
    text, night = told(single), one[0].night
    for name in ("episodes_per_hour", "phasic_episodes_per_hour", "tonic_episodes_per_hour"):
        interval = night.measures[name].intervals[-1]
        assert f"{night.measures[name].value:.1f}" in text
        assert f"{interval.high:.1f}" in text
    assert "per hour between lights off and lights on" in text
    assert night.criterion.id in text
    assert "left masseter" in text
    assert "valid of" in text


def test_what_the_clinician_enters_prints_as_entered(full, single):
    for value in ENTERED.values():
        assert plain(value) in plain(told(full)), value
    assert "Not entered: snoring, witnessed apnoea, sleepiness score" in told(single)
    assert "Not entered" not in told(full)


def test_the_fixed_texts_are_the_same_whatever_the_night_holds(single, full):
    quiet = letter_pdf([Letter("q", "0" * 64, letter_of(9, "none", n=0).night)], Fields())
    for pdf in (single, full, quiet):
        for line in (*sentences.CANNOT_TELL, *(text for _, text in sentences.CAUTIONS)):
            assert plain(line) in plain(told(pdf)), line


def test_no_word_of_judgement(full, single):
    for pdf in (full, single):
        text = plain(told(pdf)).replace(plain(PURPOSE), "").replace("diagnosesnothing", "").casefold()
        for word in ("diagnos", "severe", "mild", "moderate", "normal", "patholog", "positive for"):
            assert plain(word) not in text, word


def test_nights_with_the_appliance_stand_against_nights_without(full, four):
    text = told(full)
    said = compared(four)
    for condition in ("none", "splint"):
        nights = [
            x.night for x in four if dict(x.night.about)["condition"] == condition and x.name in said.nights
        ]
        hours = sum(n.measures["valid_hours"].value for n in nights)
        events = sum(n.measures["episode_count"].value for n in nights)
        assert f"{events / hours:.1f}" in text
    for line in said.sentences:
        assert plain(line).casefold() in plain(text).casefold()
    assert "Left out of the comparison: night-1 (first night of the study" in text
    own = NightsCompared(("The splint nights have fewer.",), tuple(x.name for x in four))
    other = letter_pdf(four, Fields(), comparison=own)
    assert "The splint nights have fewer." in told(other)
    assert "Left out" not in told(other)


def test_the_table_by_condition_holds_the_nights_of_its_sentences_and_no_other(four):
    said = compared(four)
    assert said.nights == ("night-2", "night-3", "night-4")
    assert [night for night, _ in said.left_out] == ["night-1"]
    rows = {row[0]: row for row in content(four, Fields())["table"]["rows"]}
    assert (rows["no appliance"][1], rows["splint"][1]) == ("1", "2")
    night = four[1].night
    assert rows["no appliance"][4] == f"{night.measures['episodes_per_hour'].value:.1f}"


def test_a_condition_without_a_compared_night_keeps_its_row(four):
    rows = {row[0]: row for row in content([four[0], *four[2:]], Fields())["table"]["rows"]}
    assert rows["no appliance"][1:6] == ["0", "–", "–", "–", "no night compared"]
    assert rows["splint"][1] == "2"


def test_the_ratio_of_the_sentence_is_that_of_the_table():
    nights = [(1, "none", 5), (2, "none", 3), (3, "none", 4), (4, "splint", 2), (5, "splint", 3)]
    letters = [letter_of(k, condition, n=n) for k, condition, n in nights]
    made = content(letters, Fields())
    rows = {row[0]: row for row in made["table"]["rows"]}
    ratio = float(rows["splint"][3]) / float(rows["splint"][2])
    ratio /= float(rows["no appliance"][3]) / float(rows["no appliance"][2])
    told_ratio = re.search(r"was ([0-9.]+) times", " ".join(compared(letters).sentences))[1]
    assert float(told_ratio) == pytest.approx(ratio, abs=0.02)
    assert rows["splint"][6].startswith(told_ratio)
    assert f"With splint, the rate was {told_ratio} times that without an appliance" in made["answer"][0]


def test_without_a_study_file_the_hours_of_the_night_count_too(four):
    nights = counted_nights(four)
    for night in nights:
        assert sum(events for events, _ in night.by_hour) == night.events
        assert sum(hours for _, hours in night.by_hour) == pytest.approx(night.hours)
    assert compare_nights(nights).shape


def test_nights_on_different_bases_stand_side_by_side_only(four):
    from sleepbrux.scoring.night import rescore

    mixed = [replace(four[0], night=rescore(four[0].night, "aasm")), *four[1:]]
    text = told(letter_pdf(mixed, Fields()))
    assert "No statement about an effect is made" in text
    assert "The nights have different criteria" in text


def test_it_says_what_it_supersedes_and_who_has_looked(full, one):
    assert "supersedes 0a1b-2c3d-4e5f" in told(full)
    review = Review(("AB",), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    seen = [replace(one[0], night=replace(one[0].night, review=review))]
    text = told(letter_pdf(seen, Fields(), dates=True))
    assert plain(review.sentence) in plain(text)
    text = told(letter_pdf(seen, Fields()))
    assert "Reviewed scoring (reader AB): of 4 automatic episodes" in text
    dated = told(letter_pdf(seen, Fields(), dates=True))
    assert plain(review.sentence) in plain(dated)
    assert "not reviewed" not in text
    assert "2026" not in told(letter_pdf(seen, Fields()))
    assert "Reviewed scoring (reader AB): of" in told(letter_pdf(seen, Fields()))


def test_a_review_that_is_not_used_is_named_and_no_night_is_called_unreviewed(one, four):
    review = Review(("AB",), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    text = told(letter_pdf([replace(one[0], unused_review=review)], Fields()))
    assert "not reviewed" not in text
    assert "Automatic scoring. A review by AB exists and is not used" in text
    text = told(letter_pdf([replace(four[0], unused_review=review), *four[1:]], Fields()))
    assert "not reviewed" not in text
    assert "Automatic scoring of every night. night-1 was reviewed by AB; that review is not used" in text
    both = [replace(x, unused_review=review) for x in four[:2]]
    text = told(letter_pdf([*both, *four[2:]], Fields()))
    assert "night-1 and night-2 were reviewed by AB; those reviews are not used" in text


@pytest.mark.parametrize("key", sorted(ABOUT))
def test_nothing_that_is_entered_is_read_as_markup(one, key):
    text = plain(told(letter_pdf(one, Fields(**{key: HOSTILE}))))
    assert plain(HOSTILE) in text
    assert "root:" not in text


def test_nothing_of_a_night_is_read_as_markup(one):
    about = (("person", HOSTILE), ("night", HOSTILE), ("condition", HOSTILE))
    night = replace(one[0].night, about=about)
    pdf = letter_pdf([Letter(HOSTILE, "0" * 64, night), Letter("b", "1" * 64, night)], Fields())
    assert plain(HOSTILE) in plain(told(pdf))


def test_control_and_turning_characters_are_taken_out(one):
    text = told(letter_pdf(one, Fields(snoring="a\x1b[31m\u202eb")))
    assert "\x1b" not in text
    assert "\u202e" not in text


@pytest.mark.shows("hostile-file")
@pytest.mark.parametrize("name", ["\ufffe", "a\u200db", "שלום", "&<>'\"", "\u0301"])
def test_any_name_of_a_condition_ends_in_a_letter(one, name):
    letters = [*one, letter_of(2, name)]
    assert letter_pdf(letters, Fields()).startswith(b"%PDF")
    assert "<svg" in letter_html(letters, Fields())


def test_other_alphabets_print_and_a_sign_without_a_font_is_named(one):
    text = told(letter_pdf(one, Fields(name="Жанна Ωmega Łódź ß µ")))
    assert "Жанна Ωmega Łódź ß µ" in text
    with pytest.raises(UsageError, match="no font on this machine has the sign"):
        letter_pdf(one, Fields(name="\U0001fbfa"))


@pytest.mark.shows("identity-out")
def test_dates_stay_out_unless_asked_for(one):
    assert "2026" not in told(letter_pdf(one, Fields()))
    assert "2026-03-02" in told(letter_pdf(one, Fields(), dates=True))


def test_many_nights_stand_by_condition_when_two_pages_do_not_hold_them(one):
    about = dict(one[0].night.about)
    many = [
        Letter(f"n{k}", f"{k:064x}", replace(one[0].night, about=tuple({**about, "night": f"n{k}"}.items())))
        for k in range(90)
    ]
    pdf = letter_pdf(many, Fields())
    assert len(pages(pdf)) <= 2
    assert "one by one are in the study table" in told(pdf)
    assert letter_id(many, Fields()) in told(pdf)


@pytest.mark.shows("wrong-person")
def test_what_cannot_be_one_letter_is_refused(one):
    with pytest.raises(UsageError, match="nights are of 2 people"):
        letter_pdf([*one, letter_of(2, "none", pseudonym="P-08")], Fields())
    with pytest.raises(UsageError, match="more than two pages"):
        letter_pdf(one, Fields(own_words="word\n" * 400))
    last = "last line of many"
    assert last in told(letter_pdf(one, Fields(own_words="word\n" * 40 + last)))
    with pytest.raises(UsageError, match="at least one night"):
        letter_pdf([], Fields())


def test_a_file_of_fields_is_read_and_an_unknown_key_refused(tmp_path):
    path = tmp_path / "fields.toml"
    path.write_text(fields_template(), encoding="utf-8")
    assert load_fields(path) == Fields()
    path.write_text('snoring = "no"\ndate = 2026-03-09\n', encoding="utf-8")
    fields = load_fields(path, ("snoring=yes",))
    assert (fields.snoring, fields.date) == ("yes", "2026-03-09")
    for text, said in (
        ("ahi = 7\n", "no field 'ahi'"),
        ("snoring = 7\n", "not as it should be"),
        ("snoring\n", "not valid TOML"),
        (f'snoring = "{"x" * 301}"\n', "at most 300"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UsageError, match=said):
            load_fields(path)
    with pytest.raises(UsageError, match="is no entry"):
        load_fields(None, ("snoring",))


def test_the_pages_as_pictures_have_ink_inside_the_margins_only(full):
    """Drawn by another program than the one that made the PDF."""
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(full)
    for page in document:
        grey = page.render(scale=1.0, grayscale=True).to_numpy().squeeze()
        inked = np.argwhere(grey < 128)
        height, width = grey.shape
        (top, left), (bottom, right) = inked.min(axis=0), inked.max(axis=0)
        assert (top, left) >= (0.03 * height, 0.07 * width)
        assert bottom <= 0.97 * height
        assert right <= 0.93 * width
        assert 0.001 < (grey < 128).mean() < 0.2


def test_content_is_plain_data(four):
    import json

    assert json.loads(json.dumps(content(four, Fields())))["purpose"] == PURPOSE


def figures(pdf):
    """Alternative texts of the figures in the tree of tags."""
    found, due = [], [pypdf.PdfReader(io.BytesIO(pdf)).trailer["/Root"]["/StructTreeRoot"]]
    while due:
        node = due.pop().get_object()
        if isinstance(node, list):
            due += node
        elif hasattr(node, "get"):
            if node.get("/S") == "/Figure":
                found.append(node.get("/Alt"))
            due += [node["/K"]] if "/K" in node else []
    return found


def test_the_figure_has_an_alternative_text_that_gives_its_values(single, full, one, four):
    (alone,) = figures(single)
    assert f"{len(one[0].night.selection.episodes)}" in "".join(re.findall(r"\d", alone))
    assert "2 phasic, 1 tonic and 1 mixed" in alone
    (together,) = figures(full)
    for letter in four:
        assert f"{letter.night.measures['episodes_per_hour'].value:.1f}" in together
    assert "(left out of the comparison)" in together


def visible(page):
    """Text of a page without style and tags."""
    import html

    body = re.sub(r"(?s)<style>.*?</style>|<[^>]+>", " ", page)
    return re.sub(r"\s+", " ", html.unescape(body))


def test_the_letter_as_html_says_the_same_and_fetches_nothing(four, full):
    page = letter_html(four, Fields(**ENTERED))
    assert not re.search(r"<script|src=|href=|url\(|@import", page)
    data, text = content(four, Fields(**ENTERED)), plain(visible(page))
    for line in (*data["answer"], *data["limits"], *data["in_full"], *data["rules"][0], *data["cannot"]):
        assert plain(line) in text
        assert plain(line) in plain(told(full))
    for value in ENTERED.values():
        assert plain(value) in text


def test_nothing_that_is_entered_or_of_a_night_is_read_as_html(one):
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    about = (("person", evil), ("night", evil), ("condition", evil))
    night = replace(one[0].night, about=about)
    letters = [Letter(evil, "0" * 64, night), Letter("b", "1" * 64, night)]
    page = letter_html(letters, Fields(**dict.fromkeys(ABOUT, evil)))
    assert "<script" not in page
    assert "<img" not in page
    assert plain(evil) in plain(visible(page))


@pytest.mark.shows("identity-leak")
def test_no_file_name_and_no_label_that_could_hold_a_name_is_shown(one):
    from sleepbrux.core.errors import Note
    from sleepbrux.scoring.night import with_notes
    from tests.report.conftest import scored

    labels = ("EMG Masseter L Yolanda", "Quentin")
    night = scored(labels=labels, name="Yolanda Quentin 1961")
    more = Note("x", "warning", "Quentin: odd, see Yolanda.stages.csv: correct it and give `unit`")
    night = with_notes(night, more)
    for made in (
        told(letter_pdf([Letter("Yolanda", "0" * 64, night)], Fields())),
        letter_html([Letter("Yolanda", "0" * 64, night)], Fields()),
    ):
        assert "Yolanda" not in made
        assert "Quentin" not in made
        assert "--" not in visible(made).replace("<!--", "")
        assert "left masseter" in made


def test_a_letter_reads_well(single, full, four, one):
    """No phrase that readers stumbled on; sentences of the answer are short."""
    for letters in (one, four):
        for sentence in letter_answer(letters):
            assert too_long(sentence) == []
    for pdf in (single, full):
        text = undated(told(pdf))
        for entered in ENTERED.values():
            text = text.replace(entered, "")
        assert refused(re.sub(r"\bnight-\d\b|[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}|P-07", "", text)) == []


@pytest.mark.parametrize("name", criterion_ids())
def test_each_rule_set_in_words_names_its_own_values(name):
    rules = load_criterion(name)
    said = " ".join(rule_words(rules))
    assert refused(said) == []
    level = rules.threshold.level_pct_mvc or rules.threshold.times_background
    for value in (level, rules.burst.minimum_s, rules.episode.gap_s):
        assert not value or f"{value:g} " in said
    assert too_long(said) == []


def test_the_rule_in_words_follows_a_changed_setting():
    rules = load_criterion("phasic_tonic_10mvc")
    assert "above 10 % of maximal clench lasting 0.25 s or longer" in rule_words(rules)[0]
    other = rules.derive(level_pct_mvc=17, comparison=">=", minimum_inclusive=False, id="other")
    assert "at or above 17 % of maximal clench lasting over 0.25 s" in rule_words(other)[0]
    assert "two or more phasic bursts" in rule_words(rules.derive(minimum_phasic_bursts=2, id="two"))[1]
    assert "all recorded muscles" in rule_words(rules.derive(combine="both", id="both"))[3]


def test_no_second_page_is_nearly_empty_and_the_first_holds_the_cautions(one, four):
    for letters, fields in ((one, Fields()), (one, Fields(**ENTERED)), (four, Fields(**ENTERED))):
        data = content(letters, fields)
        end = extent(data, fitting_layout(data))
        assert end["pages"] == 1 or end["end"] >= LEAST_FILLED_PT
        assert end["cautions"] == 1


def test_what_the_study_file_says_for_letters_is_printed_unless_the_letter_says_otherwise():
    nights = tuple(
        StudyNight(id=f"n{k}", recording="", condition="none", morning_jaw_pain=pain)
        for k, pain in enumerate((2, None, 5))
    )
    study = Study(pseudonym="P", night=nights, letter=StudyLetter(sex="male", alcohol="none"))
    fields = from_study(Fields(alcohol="two glasses"), study)
    assert (fields.sex, fields.alcohol) == ("male", "two glasses")
    assert fields.pain == "jaw pain on waking 2–5 of 10 (2 of 3 nights)"
    stated = from_study(Fields(), Study(pseudonym="P", night=nights, letter=StudyLetter(pain="temples")))
    assert stated.pain == "temples"


def test_a_difference_without_a_drawn_order_is_limited_on_the_first_page():
    letters = [
        letter_of(k, c, n=n) for k, (c, n) in enumerate([("none", 4), ("none", 4), ("s", 1), ("s", 1)])
    ]
    said = compared(letters)
    assert not said.drawn
    assert "so a difference does not say why" in pages(letter_pdf(letters, Fields()))[0]
    drawn = replace(said, drawn=True)
    assert "does not say why" not in pages(letter_pdf(letters, Fields(), comparison=drawn))[0]


@pytest.mark.shows("identity-leak")
def test_a_letter_names_no_reader_but_by_initials_and_no_day_of_a_review(one, four):
    review = Review(("Dr. Obermoser", "AB"), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    seen = [replace(one[0], night=replace(one[0].night, review=review))]
    text = told(letter_pdf(seen, Fields()))
    assert "Reviewed scoring (reader not named, AB): of 4" in text
    unused = told(letter_pdf([replace(one[0], unused_review=review)], Fields()))
    assert "A review by AB and a reader exists and is not used" in unused
    several = told(letter_pdf([replace(x, unused_review=review) for x in four], Fields()))
    for words in (text, unused, several):
        assert "Obermoser" not in words
        assert "2026-03-02" not in words


@pytest.mark.parametrize("key", ["to", "sender", "date", "question"])
def test_what_is_not_entered_of_the_letters_head_is_a_line_to_fill_in_and_never_made_up(one, key):
    entered = {"to": "Dr S", "sender": "Dr D", "date": "2026-03-09", "question": "Why?"}
    whole = content(one, Fields(**entered))
    assert whole["blanks"] == []
    del entered[key]
    data = content(one, Fields(**entered))
    (blank,) = data["blanks"]
    assert blank[0] == BLANKS[key][0]
    page = letter_html(one, Fields(**entered))
    assert f"<strong>{blank[0]}:</strong>" in page
    assert f"fill in: {blank[1]}" in page
    assert f"fill in: {blank[1]}" in " ".join(pages(letter_pdf(one, Fields(**entered))))


def test_nights_that_are_recorded_and_not_compared_are_counted_and_named(four):
    said = NightsCompared(
        ("x",), ("night-2", "night-3", "night-4"), (("night-1", "first night: it may differ"),)
    )
    lines = content(four, Fields(), comparison=said)["recorded"]
    assert lines[0].startswith("4 nights, ")
    assert lines[1] == "3 of them are compared: night-1 left out (first night)."
    every = replace(said, nights=("night-1", *said.nights), left_out=())
    assert "are compared" not in " ".join(content(four, Fields(), comparison=every)["recorded"])


def test_a_letter_says_cause_and_what_about_the_same_means_at_the_beginning(four):
    said = compared(four)
    assert said.contrasts
    ratio = rate_ratio([20, 25, 22], [7] * 3, [40, 35, 45], [7] * 3, condition="splint", against="none")
    lower = replace(said.contrasts[0], ratio=ratio, verdict="lower", why="Because it was drawn.")
    alike = replace(lower, verdict=ALIKE, why="")
    answer = content(four, Fields(), comparison=replace(said, contrasts=(lower, alike)))["answer"]
    assert answer[0].endswith(": lower. Because it was drawn.")
    assert answer[1].endswith(": about the same.")
    assert answer[2] == f"About the same means {ALIKE}."
