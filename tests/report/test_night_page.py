"""What the page about a night says, read as text: no browser needed."""

import html
import json
import re
import subprocess
import sys
from dataclasses import fields, replace

import pytest

from sleepbrux.core.errors import Note
from sleepbrux.core.provenance import Review
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import sentence
from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.reference import converted
from sleepbrux.report.clock_hours import unit_of
from sleepbrux.report.method import method
from sleepbrux.report.night_page import render_night
from sleepbrux.report.numbers import en_dashes
from sleepbrux.report.payload import to_json
from sleepbrux.report.wording import CAUTIONS, LIMITS, NOT_REVIEWED, based_on, reading
from sleepbrux.scoring.events import amplitude_of, labels_of
from sleepbrux.scoring.night import rescore
from sleepbrux.scoring.robustness import side_by_side
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.quality import REASONS

from .conftest import EVIL, scored


def visible(page):
    """Text of the page without scripts, style and tags."""
    body = re.sub(r"(?s)<(script|style)\b.*?</\1>", " ", page)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"(?s)<[^>]+>", " ", body)))


@pytest.fixture(scope="module")
def page(night):
    return render_night(night)


@pytest.fixture(scope="module")
def text(page):
    return visible(page)


def unfolded(page):
    """What a reader sees without unfolding anything; drawings are not words."""
    shown = re.sub(r"(?s)<svg.*?</svg>", " ", page)
    shown = re.sub(
        r"(?s)<(noscript|p)([^>]* hidden>|>)(.*?)</\1>", lambda m: "" if "hidden" in m[2] else m[0], shown
    )
    folded = re.compile(
        r"(?s)<details(?![^>]* open)[^>]*>\s*(<summary>(?:(?!</summary>).)*</summary>)(?:(?!<details).)*?</details>"
    )
    while folded.search(shown):
        shown = folded.sub(lambda m: m[1], shown)
    return visible(shown)


def data_of(page):
    return json.loads(re.search(r'(?s)id="night-data">(.*?)</script>', page)[1])


def test_the_same_night_gives_the_same_bytes(night, page):
    assert render_night(night) == page
    again = scored(gap=(440.0, 455.0), flat=(480.0, 520.0))
    assert render_night(again) == page


@pytest.mark.shows("purpose")
def test_the_purpose_sentence_stands_once_word_for_word(text):
    assert text.count(PURPOSE) == 1


def test_the_banner_says_whether_a_person_has_looked(night, text):
    title = "night_a: jaw-muscle EMG of one night Skip to the result "
    assert text.strip().startswith(title + NOT_REVIEWED)
    review = Review(("AB",), "2026-03-02T07:41:09Z", "2026-03-02T07:59:00Z", 4, 3, 1, 1, 1, 0, 2, 0, 0)
    reviewed = visible(render_night(replace(night, review=review)))
    assert "Reviewed scoring (reader AB, 2026-03-02): of 4 automatic episodes 1 accepted" in reviewed
    assert "1 not decided and left as scored; 2 episodes added" in reviewed
    assert NOT_REVIEWED not in reviewed


@pytest.mark.shows("wake-as-sleep")
@pytest.mark.parametrize(
    "criterion", [i for i in criterion_ids("jaw") if load_criterion(i).heart_rate is None]
)
def test_no_word_of_judgement_and_no_hour_of_sleep_under_any_criterion(night, criterion):
    kind = amplitude_of(load_criterion(criterion), night.reference)
    night = replace(night, reference=converted(night.reference, kind))
    text = visible(render_night(rescore(night, criterion))).replace(PURPOSE, "").lower()
    text = text.replace("and diagnoses nothing", "")
    assert "per hour of sleep" not in text
    for word in ("diagnos", "severe", "severity", "normal", "patholog", "healthy", "stars"):
        assert word not in text, word


@pytest.mark.shows("traceable")
def test_every_measure_stands_with_value_unit_and_basis(night, page):
    for name, measure in night.measures.items():
        row = visible(re.search(rf'(?s)<tr data-measure="{name}"[^>]*>(.*?)</tr>', page)[0])
        per = name.startswith("bursts_per_") and name.endswith("episode")
        unit = {"1": "per episode" if per else "count"}
        assert unit.get(measure.unit, measure.unit) in row
        assert measure.basis in row
        for interval in measure.intervals:
            assert interval.meaning in row
        if measure.value is None:
            assert f"n/a ({measure.reason})" in row


def test_a_measure_without_a_value_gives_its_reason():
    night = scored("aasm", mvc=False)
    missing = {k: m for k, m in night.measures.items() if m.value is None}
    assert "median_burst_peak_pct_mvc" in missing
    page = render_night(night)
    for name, measure in missing.items():
        row = visible(re.search(rf'(?s)<tr data-measure="{name}"[^>]*>(.*?)</tr>', page)[0])
        assert f"n/a ({measure.reason})" in row
    assert "median over the night; it follows the background" in visible(page)


def test_excluded_time_stands_with_its_reasons(night, text):
    reasons = {reason for q in night.quality for reason in q.faults}
    assert {"missing", "flat"} <= reasons
    for reason in reasons:
        assert REASONS[reason] in text


def test_every_setting_stands_with_its_source(night, page):
    for key, _ in night.criterion.values():
        row = visible(re.search(rf'(?s)<tr data-setting="{re.escape(key)}".*?>(.*?)</tr>', page)[0])
        note = night.criterion.sources.get(key)
        assert (en_dashes(note.source) if note else "not set") in row


@pytest.mark.shows("laboratory-cut-off")
def test_cut_offs_stand_with_what_they_were_made_for_and_are_not_applied(night, text):
    assert night.criterion.cut_offs
    for cut in night.criterion.cut_offs:
        assert f"made for {en_dashes(cut.made_for)}; not applied to this recording" in text


def test_provenance_method_and_cautions_stand_on_the_page(night, text):
    assert night.swept.digest in text
    assert night.criterion.digest() in text
    assert method(night) in text
    for said in reading(night):
        assert said.rstrip(".") in text
    assert based_on(night) in text
    for caution in CAUTIONS:
        assert caution.text in text


def test_every_episode_has_a_row(night, page):
    assert len(night.episodes) >= 4
    assert len(re.findall(r"<tr data-episode=", page)) == len(night.episodes)


def test_a_peak_above_100_pct_mvc_is_shown_as_it_is(night, page, text):
    assert max(night.episodes.peak_pct_mvc) > 120
    rows = re.findall(r"(?s)<tr data-episode=.*?</tr>", page)
    assert re.search(r"1[5-9]0–\d+0: 1\b", html.unescape(page))
    assert any(re.search(r"<td data-label=\"peak, % MVC\" class=\"n\">1[2-9]\d</td>", row) for row in rows)


def test_the_order_of_the_page(page):
    names = re.findall(r'<h2 id="h-([a-z-]+)"', page)
    assert names == [
        "result",
        "strip",
        "distributions",
        "measures",
        "episodes",
        "around",
        "quality",
        "method",
        "cautions",
    ]


def test_three_warnings_are_shown_and_every_other_note_is_folded(night):
    minor = Note("spikes-removed", "note", "one peak was replaced")
    night = replace(night, notes=(minor, *night.notes))
    page = render_night(night)
    shown, whole = unfolded(page), visible(page)
    assert all(sentence(note.text) in whole for note in night.notes)
    warnings = [n for n in night.notes if n.severity == "warning" and n.code not in LIMITS]
    codes = list(dict.fromkeys(n.code for n in warnings))
    assert len(codes) > 3
    for note in night.notes:
        first = note is next(n for n in night.notes if n.code == note.code)
        assert (sentence(note.text) in shown) == (note.code in codes[:3] and first), note
    assert re.findall(r'<li class="(warning|note)">', page) == ["warning"] * (len(night.notes) - 4) + ["note"]


def test_every_section_is_in_the_contents_and_can_be_skipped_to(page):
    contents = re.search(r"(?s)<nav aria-label=.Contents.>(.*?)</nav>", page)[1]
    named = re.findall(r'href="#(h-[a-z-]+)"', contents)
    assert named == re.findall(r'<h2 id="(h-[a-z-]+)"', page)
    assert '<a class="skip" href="#main">' in page
    assert '<main id="main"' in page


def test_the_denominator_stands_once_above_the_measures(page):
    part = visible(page.split('id="h-measures"')[1].split("<details")[0])
    assert part.count("between lights off and lights on") == 1
    assert "valid hours of" not in part


def test_the_page_is_read_in_a_few_minutes(night):
    assert len(unfolded(render_night(night, others=side_by_side(night))).split()) < 1200


@pytest.mark.shows("hostile-file")
def test_hostile_texts_stay_text(hostile):
    page = render_night(hostile, mark_texts=True)
    assert page.count("<script") == 2
    assert "<img" not in page
    assert "\u2028" not in page.split('id="night-data">')[1]
    data = data_of(page)
    assert [c["label"] for c in data["channels"]] == list(EVIL[:2])
    assert EVIL[2] in [m[2] for m in data["marks"]]
    assert "{{ 7*7 }}" in html.unescape(page)


def test_texts_of_marks_are_left_out_unless_asked_for(hostile):
    page = render_night(hostile)
    assert {m[2] for m in data_of(page)["marks"]} == {"lights off", "lights on", "other mark"}
    assert "7*7" not in page


@pytest.mark.shows("hostile-file")
def test_json_cannot_leave_its_script_element():
    text = to_json({"x": "</script><!-- & \u2028\u2029"})
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text)["x"] == "</script><!-- & \u2028\u2029"


def test_nothing_is_loaded_from_outside(page):
    assert not re.search(r'\b(src|href)="(?!#)', page)
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page
    assert "style=" not in page


@pytest.mark.shows("wrong-clock")
def test_a_date_that_is_not_known_is_said_to_be_so():
    text = visible(render_night(scored(start=None, seconds=200.0)))
    assert "date unknown, time of day unknown" in text


def test_a_night_without_episodes_and_one_without_valid_time_have_pages():
    quiet = render_night(scored(bursts=[], seconds=120.0, marks=()))
    assert "No episode was found" in quiet
    lost = scored(flat=(0.0, 120.0), seconds=120.0, marks=(), labels=["EMG Masseter L"])
    assert lost.measures["episodes_per_hour"].value is None
    assert "No rate can be given" in visible(render_night(lost))


def test_an_unknown_unit_is_never_called_microvolt(night):
    swept = night.swept
    frames = tuple(replace(f, channel=replace(f.channel, unit="a.u.")) for f in swept.frames)
    bare = replace(night, swept=replace(swept, frames=frames))
    assert unit_of(bare) == "a.u."
    assert {c["unit"] for c in data_of(render_night(bare))["channels"]} == {"a.u."}


def test_the_mean_of_channels_has_a_page():
    base = load_criterion("phasic_tonic_10mvc")
    page = render_night(scored(base.derive({"sides.combine": "mean"})))
    assert "the mean of the channels was scored" in visible(page)


def test_four_channels_and_200_episodes_over_eight_hours_stay_below_the_limit():
    """Frames are made up: scoring raw samples of such a night would take the suite's time."""
    import numpy as np

    night = scored(labels=["EMG Masseter L", "EMG Masseter R", "EMG Temp L", "EMG Temp R"])
    rng = np.random.default_rng(1)
    n, slot = 8 * 3600 * 100, 100
    frames = []
    for f in night.swept.frames:
        energy = (6 * rng.chisquare(2, n) / 2).astype(np.float32)
        frames.append(replace(f, grid=replace(f.grid, n_slots=n), energy=energy, rectified=np.sqrt(energy)))
    e = night.episodes
    grid = replace(e.grid, n_slots=n)
    starts = (np.arange(200) * 140 + 20) * slot
    pick = np.arange(200) % len(e)
    episodes = replace(
        e,
        grid=grid,
        starts=starts,
        stops=starts + 8 * slot,
        kind=e.kind[pick],
        n_bursts=e.n_bursts[pick],
        n_phasic=e.n_phasic[pick],
        n_tonic=e.n_tonic[pick],
        peak_pct_mvc=e.peak_pct_mvc[pick],
        mean_pct_mvc=e.mean_pct_mvc[pick],
        channels=e.channels[pick],
        flags=tuple(e.flags[i] for i in pick),
        of_burst=np.arange(1000) // 5,
    )
    rows = {
        f.name: getattr(night.merged, f.name)[np.arange(1000) % len(night.merged)]
        for f in fields(night.merged)
        if f.name not in ("grid", "labels", "activity", "known", "unknown")
    }
    many = replace(night.merged, **rows)
    at = np.repeat(starts, 5) + np.tile(np.arange(5) * slot, 200)
    merged = replace(many, grid=grid, starts=at, stops=at + slot // 2)
    swept = replace(night.swept, frames=tuple(frames), duration_s=8 * 3600.0)
    quality = tuple(replace(q, usable=grid.all(), faults={}, clipped=grid.none()) for q in night.quality)
    selection = replace(
        night.selection,
        window=grid.all(),
        valid=grid.all(),
        bursts=np.arange(1000),
        episodes=np.arange(200),
    )
    traces = Extremes(
        channel=np.arange(200) % 4,
        first_s=starts / slot - 5.0,
        step_s=np.full(200, 0.02),
        offsets=np.arange(201) * 900,
        low=-np.abs(rng.standard_normal(200 * 900)).astype(np.float32) * 60,
        high=np.abs(rng.standard_normal(200 * 900)).astype(np.float32) * 60,
    )
    big = replace(
        night,
        swept=swept,
        quality=quality,
        merged=merged,
        episodes=episodes,
        selection=selection,
        labels=labels_of(swept, merged, episodes, night.criterion),
        window=replace(night.window, spans_s=((0.0, 28800.0),)),
        traces=traces,
    )
    size = len(render_night(big).encode())
    assert data_of(render_night(big))["traces"]["of"] == list(range(200))
    assert size < 1_000_000, size


def test_the_room_imports_no_heavy_package():
    code = (
        "import sys, sleepbrux.report.night_page\n"
        "print(sorted({'pandas', 'matplotlib', 'scipy', 'mne', 'h5py', 'numba'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
