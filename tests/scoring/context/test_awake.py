"""Episodes in probable sleep: by heart, by movement, by both, after scored stages; archive, page, rules, refusals."""

import json
from dataclasses import replace
from datetime import datetime

import h5py
import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import UsageError
from sleepbrux.criteria import load_criterion
from sleepbrux.export.sharing import to_share
from sleepbrux.export.summary import summary, summary_text
from sleepbrux.export.tables import episodes_csv
from sleepbrux.recording.edf_writer import EdfSignal, write_edf
from sleepbrux.recording.memory import from_array
from sleepbrux.report import awake as awake_page
from sleepbrux.report.letter.surroundings import signals
from sleepbrux.report.night_page import render_night
from sleepbrux.scoring.context.awake import band, by_heart, by_movement, probably_awake
from sleepbrux.scoring.context.model import NO, UNKNOWN, YES
from sleepbrux.scoring.night import rescore, score, score_night
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.signal.actigraphy import WakeEstimate
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.surroundings.model import Surroundings
from sleepbrux.signal.wake import WakeProbability
from sleepbrux.synth.heart import qrs
from tests.nights import LABELS, recording_of, rhythm
from tests.wake_nights import beats_of, stages_of

SECONDS = 600
ONSETS = tuple(range(20, SECONDS - 40, 60))  # an episode a minute: 10
FIRST = WakeProbability(
    "ECG", "ws-gru-mesa", "0" * 64, ("age",), np.empty(0, np.float32), np.empty(0, np.float32)
)


def chance_of(values):
    """A probability for each 30 s; NaN beyond."""
    probability = np.full(SECONDS // 30, np.nan, np.float32)
    probability[: len(values)] = values
    return replace(FIRST, probability=probability, trusted=np.ones(len(probability), np.float32))


def movement_of(*awake_s, known_s=((0.0, float(SECONDS)),)):
    return WakeEstimate(
        "Acc", np.array(awake_s, float).reshape(-1, 2), np.array(known_s, float).reshape(-1, 2)
    )


@pytest.fixture(scope="module")
def bare():
    bursts = [b for onset in ONSETS for b in rhythm(onset, 4)]
    return score_night(recording_of([bursts, bursts], seconds=SECONDS), calibration.given(LABELS, 200.0))


def surrounded(night, **surroundings):
    swept = replace(night.swept, surroundings=Surroundings(**surroundings))
    return score(swept, criterion=night.criterion, window=night.window, reference=night.reference)


# Two 30-s epochs a minute, the episode in the first: awake in minutes 0-2, unknown in the last two.
BY_MINUTE = [0.9, 0.5, 0.75, 0.49, 0.1, 0.4, 0.2, 0.0]
HEART = chance_of(np.repeat(BY_MINUTE, 2))
MOVED = movement_of((0, 61), (180, 241), known_s=((0, 360),))


def test_by_heart_the_limit_itself_is_awake_and_nothing_is_said_of_the_unknown():
    seconds = np.array(ONSETS, float)
    code = by_heart(Surroundings(wake_probability=HEART), seconds)
    assert code.tolist() == [YES, YES, YES, NO, NO, NO, NO, NO, UNKNOWN, UNKNOWN][: len(code)]


def test_both_must_say_awake_and_one_is_enough_where_the_other_is_silent():
    seconds = np.array(ONSETS, float)
    surroundings = Surroundings(wake_probability=HEART, wake_estimate=MOVED)
    assert by_movement(surroundings, seconds).tolist()[:7] == [YES, NO, NO, YES, NO, NO, UNKNOWN]
    assert probably_awake(surroundings, seconds).tolist()[:8] == [YES, NO, NO, NO, NO, NO, NO, NO]
    assert (probably_awake(Surroundings(), seconds) == UNKNOWN).all()
    alone = Surroundings(wake_estimate=movement_of((0, 61)))
    assert probably_awake(alone, seconds).tolist()[:3] == [YES, NO, NO]


@pytest.mark.shows("wake-as-sleep")
def test_both_counts_both_rates_and_both_hours(bare):
    m = surrounded(bare, wake_probability=HEART).measures
    n = len(bare.selection.episodes)
    assert m["episode_count"].value == n
    assert m["episodes_probably_awake_count"].value == 3
    assert m["episodes_unknown_awake_count"].value == n - 8
    assert m["episodes_in_probable_sleep_count"].value == 5
    assert m["awake_estimated_hours"].value == pytest.approx(480 / 3600, abs=0.002)
    rate = m["episodes_in_probable_sleep_per_hour"]
    assert rate.value == pytest.approx(5 / m["awake_estimated_hours"].value)
    assert "no rate per hour of sleep" in rate.basis
    assert "0.13 h" in rate.basis
    assert "episodes_per_hour_of_sleep" not in m
    assert "episodes_outside_wake_count" not in m


def test_heart_and_movement_are_shown_apart_where_they_differ(bare):
    m = surrounded(bare, wake_probability=HEART, wake_estimate=MOVED).measures
    assert m["episodes_heart_and_movement_differ_count"].value == 3  # minutes 1, 2 and 3
    assert "episodes_heart_and_movement_differ_count" not in surrounded(bare, wake_probability=HEART).measures


def test_nothing_is_dropped_by_default_and_a_rule_file_may_ask_for_it(bare):
    night = surrounded(bare, wake_probability=HEART)
    assert night.criterion.context.wake == "label"
    again = rescore(night, night.criterion.derive({"context.wake": "drop_probable"}))
    m = again.measures
    assert m["episode_count"].value == night.measures["episode_count"].value - 3
    assert m["valid_hours"].value == night.measures["valid_hours"].value
    assert "probably awake are left out" in render_night(again)


def test_a_rule_that_needs_an_estimate_is_refused_where_there_is_none(bare):
    with pytest.raises(UsageError, match="needs an ECG that says who is awake or an accelerometer"):
        rescore(bare, load_criterion("phasic_tonic_10mvc").derive({"context.wake": "drop_probable"}))


def test_the_band_over_the_threshold_counts_again(bare):
    night = surrounded(bare, wake_probability=HEART)
    onsets = night.episodes.starts[night.selection.episodes] * float(night.episodes.grid.slot_s)
    assert band(night.swept.surroundings, onsets) == ((0.3, 3, 5), (0.5, 5, 3), (0.7, 6, 2))


def test_the_page_says_both_counts_the_published_error_and_draws_the_lane(bare):
    night = surrounded(bare, wake_probability=HEART, wake_estimate=MOVED)
    page = render_night(night)
    assert "In probable sleep, by an estimate: " in page
    assert "These signals took no event away" in page
    assert "83 % of the 30-s epochs" in page
    assert "tested in nobody who grinds or clenches" in page
    assert "They differ on 3 of the" in page
    assert "per hour of sleep" in page  # only to say that it is none
    assert "no rate per hour of sleep" in page
    data = json.loads(page.split('id="night-data"')[1].split(">", 1)[1].split("</script>")[0])
    assert data["wake_probability"]["pct"][:4] == [90, 90, 50, 50]
    assert data["wake_probability"]["pct"][-1] is None
    assert data["wake_probability"]["trusted_pct"][0] == 100
    assert "probably awake, P(awake) 0.90" in page
    assert "P(awake) 0.40" in page
    figure = page.split('id="awake-figure"')[1].split("</figure>")[0]
    assert "over probability from which somebody counts as awake: from 0.1 to 1" in figure
    assert figure.count('class="spot"') == 1


def test_a_night_without_an_estimate_has_no_lane_and_says_so(bare):
    page = render_night(bare)
    assert '"wake_probability":null' in page
    assert 'id="awake-figure"' not in page
    assert "nothing: no ECG says who is awake" in page
    assert awake_page.sentences(bare) == []
    assert awake_page.letter_line(bare) == []


def test_the_letter_has_one_line(bare):
    night = surrounded(bare, wake_probability=HEART)
    (line,) = awake_page.letter_line(night)
    assert line.startswith(f"Of {len(night.selection.episodes)} episodes, 5 began in probable sleep")
    assert line in signals([night])


def test_the_table_of_episodes_has_the_probability_at_each_onset(bare):
    rows = [line.split(",") for line in episodes_csv(surrounded(bare, wake_probability=HEART)).splitlines()]
    at = rows[0].index("wake_probability")
    assert [row[at] for row in rows[1:9]] == [f"{p:.3f}" for p in BY_MINUTE]
    assert rows[9][at] == ""


def test_the_summary_names_the_model(bare):
    said = summary(surrounded(bare, wake_probability=HEART))["surroundings"]["awake_estimate"]
    assert said == {"channel": "ECG", "model": "ws-gru-mesa", "sha256": "0" * 64, "told": ["age"]}
    assert summary(bare)["surroundings"]["awake_estimate"] is None


def test_the_archive_keeps_probabilities_and_quality_and_an_older_one_still_opens(bare, tmp_path):
    night = surrounded(bare, wake_probability=HEART)
    path = tmp_path / "a.night.h5"
    save_night(night, path)
    again = load_night(path)
    kept = again.swept.surroundings.wake_probability
    assert np.array_equal(kept.probability, HEART.probability, equal_nan=True)
    assert np.array_equal(kept.trusted, HEART.trusted)
    assert (kept.model, kept.digest, kept.given) == (HEART.model, HEART.digest, HEART.given)
    assert rescore(again, again.criterion).measures == night.measures
    heart = Heart("ECG", "ecg", np.arange(1.0, SECONDS), np.arange(SECONDS - 1) > 0)
    before = surrounded(bare, heart=heart)  # laid down as before there was an estimate
    save_night(before, tmp_path / "b.night.h5")
    with h5py.File(tmp_path / "b.night.h5") as file:
        assert "chance" not in file["surroundings"]
    older = load_night(tmp_path / "b.night.h5")
    assert older.swept.surroundings.wake_probability is None
    assert "the archive is older than this estimate" in render_night(older)


def test_a_shared_copy_keeps_the_estimate_and_hides_the_name_of_its_channel(bare):
    night = surrounded(bare, wake_probability=replace(HEART, label="ECG of Ada"))
    shared = to_share(night)
    assert shared.swept.surroundings.wake_probability.label != "ECG of Ada"
    assert "Ada" not in summary_text(shared)
    assert np.array_equal(
        shared.swept.surroundings.wake_probability.probability, HEART.probability, equal_nan=True
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Four and a half hours from a file: an ECG of generated beats, one jaw channel with an episode every 10 min."""
    hours, rate, jaw_rate = 4.5, 128, 256
    rng = np.random.default_rng(8)
    stages = stages_of(rng, hours)
    beats = beats_of(stages, rng)
    n = int(hours * 3600)
    shape = qrs(rate)
    ecg = rng.normal(0, 15, n * rate)
    reach = len(shape) // 2
    for beat in np.rint(beats * rate).astype(int).tolist():
        if reach <= beat < len(ecg) - reach:
            ecg[beat - reach : beat + reach + 1] += 1000 * shape
    jaw = rng.normal(0, 3, n * jaw_rate)
    for onset in range(300, n - 60, 600):
        for k in range(4):
            a = int((onset + k) * jaw_rate)
            jaw[a : a + jaw_rate // 2] *= 30
    path = tmp_path_factory.mktemp("whole") / "night.edf"
    signals_ = [EdfSignal("EMG Masseter L", jaw_rate, step=0.1), EdfSignal("ECG", rate, step=0.1)]
    blocks = [tuple(np.clip(np.rint(x / 0.1), -32768, 32767).astype(np.int16) for x in (jaw, ecg))]
    write_edf(
        path, signals_, iter(blocks), onsets=list(range(n)), annotations=[], start=datetime(2026, 1, 5, 23)
    )
    return path, stages


def test_a_night_from_a_file_finds_most_of_its_wake_and_of_its_sleep(whole):
    path, stages = whole
    night = score_file(path, Request(mvc_uv=200.0))
    chance = night.swept.surroundings.wake_probability
    assert chance.given == ("time of day",)
    known = ~np.isnan(chance.probability)
    assert known.mean() > 0.95
    # by the makers' own test about three in four; this night is generated so that it is about as hard
    said, truth = chance.probability[known] >= 0.5, (stages == 0)[: len(known)][known]
    assert (said == truth).mean() > 0.7
    assert night.measures["episodes_in_probable_sleep_count"].value is not None


def test_age_and_sex_of_a_study_file_reach_the_model_and_change_the_digest_of_its_entry(whole, tmp_path):
    from sleepbrux.scoring.request import study_request
    from sleepbrux.study.file import entry_digest, load_study

    path, _ = whole
    text = 'pseudonym = "P"\n{who}\n[[night]]\nid = "1"\nrecording = "{name}"\ncondition = "none"\n'
    found = {}
    for who in ("", 'age_years = 37\nsex = "female"'):
        file = tmp_path / "study.toml"
        file.write_text(text.format(who=who, name=path.name), encoding="utf-8")
        study = load_study(file)
        request = study_request(study, study.night[0], path.parent)
        night = score_file(path, replace(request, mvc_uv=200.0))
        found[who] = night.swept.surroundings.wake_probability, entry_digest(study, study.night[0])
    (untold, first), (told, second) = found.values()
    assert untold.given == ("time of day",)
    assert told.given == ("age", "sex", "time of day")
    assert not np.array_equal(untold.probability, told.probability, equal_nan=True)
    assert first != second


@pytest.mark.parametrize(
    ("line", "field"),
    [("age_years = 240", "age_years"), ('sex = "x"', "sex"), ('age_years = "old"', "age_years")],
)
def test_an_age_or_a_sex_that_nobody_has_is_refused_with_its_field(line, field, tmp_path):
    from sleepbrux.core.errors import StudyError
    from sleepbrux.study.file import load_study

    (tmp_path / "s.toml").write_text(f'pseudonym = "P"\n{line}\n', encoding="utf-8")
    with pytest.raises(StudyError, match=f"s.toml: {field}: "):
        load_study(tmp_path / "s.toml")


def test_a_short_recording_with_an_ecg_says_why_nothing_is_estimated():
    rng = np.random.default_rng(2)
    beats = beats_of(stages_of(rng, 0.1), rng)
    jaw, ecg = rng.normal(0, 3, 360 * 250), rng.normal(0, 10, 360 * 250)
    ecg[np.rint(beats[beats < 359] * 250).astype(int)] += 1000
    night = score_night(
        from_array(np.stack((jaw, ecg)), 250, [LABELS[0], "ECG"]), calibration.given(LABELS[:1], 200.0)
    )
    assert night.swept.surroundings.wake_probability is None
    (note,) = [n for n in night.notes if n.code == "wake-not-estimated"]
    assert "4 h or more" in note.text
    assert "4 h or more" in render_night(night)
