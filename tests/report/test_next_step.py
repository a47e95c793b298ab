"""What a page says to do: repeat the night or not, and the next step; and what a difference can be put down to."""

import re
from dataclasses import replace
from html import unescape

import pytest

from sleepbrux.analysis.comparison.ratio import rate_ratio
from sleepbrux.analysis.comparison.rearrange import rearrangement_test
from sleepbrux.analysis.comparison.sentences import (
    ALIKE,
    CAUSE,
    NO_CAUSE,
    NOT_CONFIRMED,
    plain_verdict,
    sentence_of,
    why_of,
)
from sleepbrux.core.provenance import Review
from sleepbrux.report import wording
from sleepbrux.report.night_page import render_night
from sleepbrux.report.wording import CAUSES, REMEDIES, VERDICTS, next_words, verdict_words
from sleepbrux.scoring.usability import NightFinding, UsabilityVerdict
from tests.words import refused, too_long

from .conftest import bursts_of, scored


def judged(verdict, *causes, fatal=False):
    found = tuple(NightFinding(cause, "text", "remedy", fatal=fatal) for cause in causes)
    return UsabilityVerdict("n", verdict, 6.0, 7.0, found)


def said(monkeypatch, night, morning):
    monkeypatch.setattr(wording, "after_night", lambda _: morning)
    return next_words(night)


def test_a_usable_night_need_not_be_repeated_and_mains_hum_is_said_to_be_taken_out():
    assert verdict_words(judged("usable")) == "Usable night, no need to repeat it"
    words = verdict_words(judged("usable with limits", "mains"))
    assert words == "Usable with limits, no need to repeat it: mains hum, taken out"
    assert "no need" not in verdict_words(judged("repeat", "battery", fatal=True))


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_has_a_remedy_that_a_first_screen_holds(monkeypatch, night, cause):
    limits = said(monkeypatch, night, judged("usable with limits", cause))
    again = said(monkeypatch, night, judged("repeat", cause, fatal=True))
    assert limits.startswith("Next: confirm or reject each episode in a review. Before the next night: ")
    assert REMEDIES[cause] in limits
    assert again.startswith("Next: record the night again, ")
    for text in (limits, again, verdict_words(judged("usable with limits", cause, "clock"))):
        assert too_long(text) == []
        assert refused(text) == []
    assert REMEDIES.keys() == CAUSES.keys()
    assert len(VERDICTS) == 3


def test_the_next_step_follows_what_was_done_already(monkeypatch, night):
    usable = judged("usable")
    assert said(monkeypatch, night, usable) == "Next: confirm or reject each episode in a review."
    seen = replace(
        night, review=Review(("AB",), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    )
    assert said(monkeypatch, seen, usable) == "Next: compare it with this person's other nights."
    quiet = scored(bursts=[], seconds=120.0)
    assert said(monkeypatch, quiet, usable) == "Next: record more nights, as one night is one sample."


def test_a_rate_without_an_interval_says_whether_events_or_hours_are_too_few(night):
    assert "(too few events for an interval)" in wording.rate_words(night)
    many = scored(bursts=bursts_of(6, apart_s=80.0))
    assert len(many.selection.episodes) == 6
    assert "(too few valid hours for an interval)" in wording.rate_words(many)


def test_the_page_says_what_a_review_is_and_how_it_is_begun(monkeypatch, night):
    how = wording.review_words("the .night.h5 file next to this page")
    monkeypatch.setattr(wording, "next_words", lambda _: wording.REVIEW_NEXT)
    assert "sleepbrux review" in how
    assert "sleepbrux start" in how
    assert how in unescape(render_night(night))
    monkeypatch.setattr(wording, "next_words", lambda _: "Next: record the night again.")
    assert how not in unescape(render_night(night))


def test_the_page_says_the_next_step_what_an_envelope_is_and_that_its_axis_is_logarithmic(night):
    page = render_night(night)
    assert f'<p class="next-step">{next_words(night)}</p>' in page
    first = page[: page.index("How strong, how long, when</h2>")]
    assert "Envelope: strength of the signal" in first
    assert "MVC: maximal voluntary contraction" in first
    assert len(re.findall(r"EMG Masseter [LR], µV, logarithmic<", page)) == 4
    assert '", envelope, " + c.unit + ", logarithmic"' in page


FOUND = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4, condition="splint", against="none")
TEST = rearrangement_test(
    [20, 25, 22, 30, 40, 35, 45, 50], [7] * 8, [True] * 4 + [False] * 4, "randomised nights"
)


@pytest.mark.parametrize(
    ("verdict", "order", "test", "why"),
    [
        ("lower", "randomised nights", TEST, CAUSE),
        ("higher", "randomised blocks", TEST, CAUSE),
        ("lower", "randomised nights", replace(TEST, p=0.06), NOT_CONFIRMED),
        ("lower", "randomised nights", None, NOT_CONFIRMED),
        ("lower", "planned phases", TEST, NO_CAUSE),
        ("higher", "as it came", None, NO_CAUSE),
        (ALIKE, "randomised nights", TEST, ""),
        ("cannot tell yet", "randomised nights", TEST, ""),
    ],
)
def test_what_a_difference_can_be_put_down_to(verdict, order, test, why):
    assert why_of(verdict, order, test) == why
    assert too_long(why) == []
    if verdict != "cannot tell yet":
        assert why in sentence_of(FOUND, verdict, "episodes per valid hour", order, test=test)


def test_about_the_same_is_said_with_its_margins():
    assert plain_verdict(ALIKE) == "about the same"
    text = sentence_of(FOUND, ALIKE, "episodes per valid hour", "randomised nights")
    assert text.endswith(f": about the same, {ALIKE} (0.75 to 1.33).")
